#include "cli/report/lens_sections.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <regex>
#include <string>
#include <vector>

#include "calib/base/utf8.h"
#include "calib/lens/model.h"
#include "calib/profile/describe.h"
#include "cli/handoff_report.h"
#include "cli/plate_options.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

std::string plain(double value) { return fmt::format("{:.6g}", value); }

std::string sigma_text(const profile::Station& station, std::string_view name) {
  if (!station.uncertainty) return "-";
  const std::optional<double> sigma = profile::sigma(*station.uncertainty, name);
  if (!sigma) return "-";
  return *sigma == 0.0 ? "held" : fmt::format("{:.2g}", *sigma);
}

void add_colours(json& rows, const profile::Channels& channels) {
  for (const auto& [name, colour] :
       {std::pair("red", &channels.red), std::pair("blue", &channels.blue)}) {
    const profile::ColourShift& shift = colour->shift;
    rows.push_back(label_row(
        fmt::format("{} beside green", name),
        fmt::format("{:.4f} px rms (sigma {:.2g}), at most {:.4f} px at {:.0f}, {:.0f}; {}",
                    shift.rms_px,
                    shift.rms_sigma_px,
                    shift.max_px,
                    shift.max_at_px.x(),
                    shift.max_at_px.y(),
                    shift.significant ? "significant" : "not significant")));
  }
}

json quality_rows(const profile::Station& station) {
  json rows = json::array();
  if (!station.quality) return rows;
  const profile::Quality& quality = *station.quality;
  rows.push_back(label_row("points",
                           fmt::format("{} in {} of {} frames",
                                       quality.num_points,
                                       quality.num_frames_used,
                                       quality.num_frames)));
  rows.push_back(label_row("residuals",
                           fmt::format("rms {:.4f} px, 95 % within {:.4f} px, largest {:.4f} px",
                                       quality.rms_px,
                                       quality.p95_px,
                                       quality.max_px)));
  if (quality.held_out_rms_px) {
    rows.push_back(label_row("held out", fmt::format("rms {:.4f} px", *quality.held_out_rms_px)));
  }
  if (quality.noise_sigma_px) {
    rows.push_back(label_row(
        "noise", fmt::format("sigma {:.4f} px of a coordinate", *quality.noise_sigma_px)));
  }
  if (quality.map_misfit_rms_px.value_or(0.0) > 0.0) {
    rows.push_back(label_row(
        "model misses", fmt::format("{:.4f} px rms over the frame", *quality.map_misfit_rms_px)));
  }
  return rows;
}

json chart_rows(const profile::Station& station) {
  json rows = json::array();
  if (!station.chart_as_found) return rows;
  const profile::ChartAsFound& chart = *station.chart_as_found;
  if (chart.bend_mm) {
    rows.push_back(label_row("bent",
                             fmt::format("{:.3f} mm off its plane at most (sigma {:.2g})",
                                         chart.bend_mm->value,
                                         chart.bend_mm->sigma)));
  }
  if (chart.print_error_mm) {
    rows.push_back(label_row("points off",
                             fmt::format("{:.3f} mm rms (sigma {:.2g} each)",
                                         chart.print_error_mm->value,
                                         chart.print_error_mm->sigma)));
  }
  if (chart.pitch_ratio) {
    rows.push_back(label_row(
        "pitch y over x",
        fmt::format("{:.5f} (sigma {:.2g})", chart.pitch_ratio->value, chart.pitch_ratio->sigma)));
  }
  return rows;
}

std::string state_text(const profile::Station& station) {
  std::string text;
  const auto add = [&](const std::string& part) { text += (text.empty() ? "" : ", ") + part; };
  if (station.nominal_focal_mm) add(fmt::format("nominal {} mm", plain(*station.nominal_focal_mm)));
  if (station.focus_m) {
    add(std::isinf(*station.focus_m) ? std::string("focus at infinity")
                                     : fmt::format("focus {} m", plain(*station.focus_m)));
  }
  if (station.t_stop) add(fmt::format("T{}", plain(*station.t_stop)));
  return text.empty() ? "not stated" : text;
}

/// The same text, numbers of more than four decimals rounded to four.
std::string shortened(const std::string& text) {
  constexpr std::size_t kDecimals = 4;
  static const std::regex number("[0-9]+\\.([0-9]{5,})");
  std::string result;
  std::size_t end = 0;
  for (std::sregex_iterator it(text.begin(), text.end(), number), none; it != none; ++it) {
    const auto begin = static_cast<std::size_t>(it->position());
    result += text.substr(end, begin - end);
    result += fmt::format("{:.{}f}", std::stod(it->str()), kDecimals);
    end = begin + static_cast<std::size_t>(it->length());
  }
  return result + text.substr(end);
}

constexpr std::string_view kHandoffTitle = "Hand-off";

/// The section of a lens whose whole plate cannot be straightened into a picture of any sense.
json no_handoff(const Error& error) {
  return {{"kind", "words"},
          {"title", kHandoffTitle},
          {"words", {fmt::format("Not for the whole plate: {}.", error.message)}}};
}

}  // namespace

json parameters_section(const profile::Station& station) {
  const lens::Lens& lens = station.lens;
  json pinhole = json::array();
  pinhole.push_back(label_row("model", std::string(lens::model_name(lens.model))));
  const auto add = [&](std::string_view label,
                       double value,
                       std::string_view name,
                       std::string_view unit) {
    const auto sigma =
        station.uncertainty ? profile::sigma(*station.uncertainty, name) : std::nullopt;
    pinhole.push_back(label_row(
        label,
        fmt::format("{}{} (sigma {})", value_text(value, sigma), unit, sigma_text(station, name))));
  };
  add("focal length x", lens.focal_px.x(), "focal_x_px", " px");
  add("focal length y", lens.focal_px.y(), "focal_y_px", " px");
  add("principal point x", lens.principal_point_px.x(), "principal_x_px", " px");
  add("principal point y", lens.principal_point_px.y(), "principal_y_px", " px");
  const auto names = lens::parameter_names(lens.model);
  const auto values = lens::parameters(lens.model);
  const std::optional<lens::LocalField> field = lens::local_field(lens.model);
  const std::size_t shown = field ? field->num_formula : names.size();
  for (std::size_t i = 0; i < shown; ++i) add(names[i], values[i], names[i], "");
  if (field) {
    pinhole.push_back(
        label_row("field", fmt::format("{} more values, in the profile", names.size() - shown)));
  }
  json groups = json::array({{{"heading", "Lens"}, {"rows", pinhole}}});
  const auto group = [&](std::string_view heading, json rows) {
    if (!rows.empty()) groups.push_back({{"heading", heading}, {"rows", std::move(rows)}});
  };
  group("Fit", quality_rows(station));
  group("The print, as found", chart_rows(station));
  json colours = json::array();
  if (station.channels) add_colours(colours, *station.channels);
  group("Colours", std::move(colours));
  return {{"kind", "numbers"},
          {"title", "The lens in numbers"},
          {"words", {"sigma is one standard deviation."}},
          {"groups", groups}};
}

json provenance_section(const profile::Profile& profile,
                        const profile::Station& station,
                        const std::string& set_to) {
  json lens_rows = json::array();
  const auto label = [&](std::string_view name, const std::string& text) {
    if (!text.empty()) lens_rows.push_back(label_row(name, printable(text, kLongestNote)));
  };
  label("lens", profile.labels.lens.empty() ? "not named" : profile.labels.lens);
  label("serial number", profile.labels.serial);
  label("camera body", profile.labels.body);
  label("owner", profile.labels.owner);
  label("notes", profile.labels.notes);
  lens_rows.push_back(label_row("set to", set_to.empty() ? state_text(station) : set_to));
  const lens::Lens& lens = station.lens;
  lens_rows.push_back(label_row("plate",
                                fmt::format("{} x {} px, pixel aspect {}",
                                            lens.plate_size.width,
                                            lens.plate_size.height,
                                            plain(lens.pixel_aspect))));
  lens_rows.push_back(label_row("film back",
                                lens.film_back ? fmt::format("{} x {} mm",
                                                             plain(lens.film_back->width_mm),
                                                             plain(lens.film_back->height_mm))
                                               : std::string("not stated")));
  if (profile.chart) {
    std::string chart = printable(profile.chart->kind);
    if (profile.chart->columns && profile.chart->rows) {
      chart += fmt::format(", {} x {}", *profile.chart->columns, *profile.chart->rows);
    }
    if (profile.chart->pitch_mm)
      chart += fmt::format(", pitch {} mm", plain(*profile.chart->pitch_mm));
    lens_rows.push_back(label_row("chart", chart));
  }
  const profile::Provenance& made = profile.provenance;
  json rows = json::array();
  rows.push_back(label_row(std::string(profile::made_words(profile)), printable(made.created)));
  rows.push_back(label_row("by", printable(made.program) + " " + printable(made.program_version)));
  rows.push_back(label_row("method", printable(made.method, kLongestNote)));
  const auto hashed = std::count_if(made.footage.begin(), made.footage.end(), [](const auto& item) {
    return !item.sha256.empty();
  });
  rows.push_back(label_row(
      "footage",
      fmt::format("{} frames, {} with their SHA-256 in the profile", made.footage.size(), hashed)));
  return {{"kind", "numbers"},
          {"title", "Where it comes from"},
          {"words", json::array()},
          {"groups",
           {{{"heading", "Labels"}, {"rows", lens_rows}},
            {{"heading", "Provenance"}, {"rows", rows}}}}};
}

json handoff_section(const profile::Profile& profile,
                     const profile::Station& station,
                     int threads) {
  Result<PlateRequest> request = read_plate_options(PlateOptions{}, {station.lens}, threads);
  if (!request) return no_handoff(request.error());
  const Result<NotedHandoff> noted = noted_handoff(profile, std::move(*request));
  if (!noted) return no_handoff(noted.error());
  json groups = json::array();
  for (const HandoffGroup& group : handoff_groups(noted->handoff, noted->notes)) {
    json rows = json::array();
    for (const HandoffRow& line : group.rows) {
      rows.push_back(label_row(line.label, shortened(line.content)));
    }
    groups.push_back({{"heading", group.heading}, {"rows", rows}});
  }
  json words = json::array(
      {"What each department sets, for the whole plate kept, to four decimals; trueplate handoff "
       "has the options, and with --json every digit."});
  for (const Warning& warning : noted->notes.warnings)
    words.push_back("Warning: " + warning.message);
  if (!station.lens.film_back) {
    words.push_back(fmt::format("Missing: {}", printable(kMissingFilmBack, kLongestNote)));
  }
  return {{"kind", "numbers"}, {"title", kHandoffTitle}, {"words", words}, {"groups", groups}};
}

}  // namespace trueplate::cli
