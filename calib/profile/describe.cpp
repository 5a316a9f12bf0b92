#include "calib/profile/describe.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <string_view>
#include <vector>

#include "calib/base/utf8.h"
#include "calib/lens/distortion_measures.h"
#include "calib/profile/verdict.h"

namespace trueplate::profile {
namespace {

constexpr std::size_t kLabelWidth = 19;
constexpr std::size_t kPageWidth = 80;
constexpr std::size_t kMaxTextBytes = 2000;

/// Text in two columns, the second one wrapped at words.
class Page {
 public:
  /// An empty label continues the entry above.
  void add(std::string_view label, std::string_view content) {
    text_ += fmt::format("{:<{}}", label, kLabelWidth);
    std::size_t used = kLabelWidth;
    bool at_start = true;
    while (!content.empty()) {
      const std::size_t end = std::min(content.find(' '), content.size());
      const std::string_view word = content.substr(0, end);
      content.remove_prefix(std::min(end + 1, content.size()));
      if (!at_start && used + 1 + length(word) > kPageWidth) {
        text_ += '\n' + std::string(kLabelWidth, ' ');
        used = kLabelWidth;
        at_start = true;
      }
      if (!at_start) text_ += ' ';
      used += length(word) + (at_start ? 0 : 1);
      text_ += word;
      at_start = false;
    }
    while (text_.ends_with(' ')) text_.pop_back();
    text_ += '\n';
  }

  void add_blank_line() { text_ += '\n'; }
  void add_heading(std::string_view heading) { text_ += fmt::format("\n{}\n", heading); }
  [[nodiscard]] const std::string& text() const { return text_; }

 private:
  /// Characters, not bytes: continuation bytes of UTF-8 do not count.
  static std::size_t length(std::string_view word) {
    return static_cast<std::size_t>(std::count_if(word.begin(), word.end(), [](char c) {
      return (static_cast<unsigned char>(c) & 0xC0) != 0x80;
    }));
  }

  std::string text_;
};

/// Six significant digits without an exponent where that is readable.
std::string plain(double value) { return fmt::format("{:.6g}", value); }

/// A value with as many decimals as its standard deviation makes meaningful (two of its digits).
std::string with_sigma(double value, std::optional<double> sigma, std::string_view unit = "") {
  if (!sigma) return plain(value) + std::string(unit);
  if (*sigma == 0.0) return fmt::format("{}{} (held fixed)", plain(value), unit);
  const double decimals = std::clamp(1.0 - std::floor(std::log10(*sigma)), 0.0, 12.0);
  // Adding zero turns a minus zero into a zero.
  const double scale = std::pow(10.0, decimals);
  const double rounded = std::round(value * scale) / scale;
  return fmt::format("{:.{}f}{} (sigma {:#.2g})",
                     (std::isfinite(rounded) ? rounded : value) + 0.0,
                     static_cast<int>(decimals),
                     unit,
                     *sigma);
}

std::optional<double> sigma_of(const Station& station, std::string_view parameter) {
  return station.uncertainty ? sigma(*station.uncertainty, parameter) : std::nullopt;
}

std::string plural(std::size_t count, std::string_view noun) {
  return fmt::format("{} {}{}", count, noun, count == 1 ? "" : "s");
}

void add_labels(Page& page, const Profile& profile) {
  const Labels& labels = profile.labels;
  const auto add = [&](std::string_view name, const std::string& text) {
    if (!text.empty()) page.add(name, printable(text, kMaxTextBytes));
  };
  add("Lens", labels.lens.empty() ? "not named" : labels.lens);
  add("Serial number", labels.serial);
  add("Camera body", labels.body);
  add("Owner", labels.owner);
  add("Notes", labels.notes);
  if (profile.chart) {
    std::string chart = printable(profile.chart->kind);
    if (profile.chart->columns && profile.chart->rows) {
      chart += fmt::format(", {}x{}", *profile.chart->columns, *profile.chart->rows);
    }
    if (profile.chart->pitch_mm)
      chart += fmt::format(", pitch {} mm", plain(*profile.chart->pitch_mm));
    page.add("Chart", chart);
  }
}

std::string state_text(const Station& station) {
  std::vector<std::string> parts;
  if (station.nominal_focal_mm)
    parts.push_back(fmt::format("nominal {} mm", plain(*station.nominal_focal_mm)));
  if (station.focus_m) {
    parts.push_back(std::isinf(*station.focus_m)
                        ? std::string("focus at infinity")
                        : fmt::format("focus {} m", plain(*station.focus_m)));
  }
  if (station.t_stop) parts.push_back(fmt::format("T{}", plain(*station.t_stop)));
  std::string text;
  for (const std::string& part : parts) text += (text.empty() ? "" : ", ") + part;
  return text.empty() ? "focal length, focus and stop not stated" : text;
}

void add_plate(Page& page, const lens::Lens& lens) {
  std::string plate = fmt::format("{}x{} px, pixel aspect {}",
                                  lens.plate_size.width,
                                  lens.plate_size.height,
                                  plain(lens.pixel_aspect));
  if (lens.squeeze != 1.0) plate += fmt::format(", squeeze {}", plain(lens.squeeze));
  plate += lens.film_back ? fmt::format(", film back {} x {} mm",
                                        plain(lens.film_back->width_mm),
                                        plain(lens.film_back->height_mm))
                          : std::string(", film back not stated");
  page.add("Plate", plate);
}

void add_pinhole(Page& page, const Station& station) {
  const lens::Lens& lens = station.lens;
  const std::optional<double> sigma_x = sigma_of(station, "focal_x_px");
  const std::optional<double> sigma_y = sigma_of(station, "focal_y_px");
  page.add("Focal length",
           fmt::format("{} in x, {} in y",
                       with_sigma(lens.focal_px.x(), sigma_x, " px"),
                       with_sigma(lens.focal_px.y(), sigma_y, " px")));
  if (const std::optional<Point2d> focal = lens::focal_mm(lens)) {
    const double mm_per_px = lens.film_back->width_mm / lens.plate_size.width;
    const double mm_per_py = lens.film_back->height_mm / lens.plate_size.height;
    const auto scaled = [](std::optional<double> s, double by) {
      return s ? std::optional(*s * by) : std::nullopt;
    };
    page.add("",
             fmt::format("{} in x, {} in y",
                         with_sigma(focal->x(), scaled(sigma_x, mm_per_px), " mm"),
                         with_sigma(focal->y(), scaled(sigma_y, mm_per_py), " mm")));
    const double ratio = focal->y() / focal->x();
    constexpr double kWorthSaying = 0.01;
    if (lens.squeeze != 1.0 || std::abs(ratio - 1.0) > kWorthSaying) {
      page.add("", fmt::format("y over x is {:.4f}, the squeeze that was measured", ratio));
    }
  }
  if (station.entrance_pupil_mm) {
    page.add("Entrance pupil",
             fmt::format("{} mm from the image plane", plain(*station.entrance_pupil_mm)));
  }
  const lens::FieldOfView straight = lens::straight_field_of_view(lens);
  std::string view = fmt::format(
      "{:.3f} x {:.3f} deg straightened", straight.horizontal_deg, straight.vertical_deg);
  if (const auto plate = lens::plate_field_of_view(lens)) {
    view += fmt::format("; {:.3f} x {:.3f} deg on the plate, distortion included",
                        plate->horizontal_deg,
                        plate->vertical_deg);
  }
  page.add("Field of view", view);
  const Point2d offset(lens.principal_point_px.x() - lens.plate_size.width / 2.0,
                       lens.principal_point_px.y() - lens.plate_size.height / 2.0);
  page.add("Principal point",
           fmt::format(
               "{}, {}: {:.2f} px {} and {:.2f} px {} the centre",
               with_sigma(lens.principal_point_px.x(), sigma_of(station, "principal_x_px"), " px"),
               with_sigma(lens.principal_point_px.y(), sigma_of(station, "principal_y_px"), " px"),
               std::abs(offset.x()),
               offset.x() < 0.0 ? "left" : "right",
               std::abs(offset.y()),
               offset.y() < 0.0 ? "above" : "below"));
}

std::string distortion_text(const std::optional<lens::PointDistortion>& distortion) {
  if (!distortion) return "no inverse there";
  return fmt::format("{:+.3f} % ({:+.2f} px)", distortion->percent(), distortion->shift_px());
}

void add_distortion(Page& page, const lens::Lens& lens) {
  const lens::FrameDistortion frame = lens::frame_distortion(lens);
  page.add("Distortion", "frame corner      " + distortion_text(frame.corner));
  page.add("", "left, right edge  " + distortion_text(frame.side_edge));
  page.add("", "top, bottom edge  " + distortion_text(frame.top_edge));
  page.add("",
           fmt::format("actual minus ideal image height{}, over the ideal one (ISO 9039), from the "
                       "principal point; negative is barrel; the largest of each kind of place",
                       lens.pixel_aspect == 1.0 ? "" : " on the unsqueezed plate"));
  if (const auto tv = lens::picture_height_distortion(lens)) {
    page.add("Picture height",
             fmt::format("{:+.3f} % distortion after EBU Tech 3249 (the SMIA figure is {:+.3f} %)",
                         tv->ebu_percent,
                         tv->smia_percent));
  }
  if (const auto factor = lens::overscan_factor(lens)) {
    page.add(
        "Overscan",
        fmt::format(
            "the straightened picture is {:.4f} times the plate, as one factor about the middle",
            *factor));
  }
}

/// What the coefficients of a field come to, and where it ends.
void add_field(Page& page, const lens::Lens& lens, const lens::LocalField& field) {
  const auto values = lens::parameters(lens.model).subspan(field.num_formula);
  const double largest = std::abs(*std::max_element(
      values.begin(), values.end(), [](double a, double b) { return std::abs(a) < std::abs(b); }));
  page.add("",
           fmt::format("{} values of the field, at most {} px",
                       values.size(),
                       plain(largest * lens.focal_px.maxCoeff())));
  const Point2d half_px = lens.focal_px.cwiseProduct(field.half_size);
  const Point2d fade_px = lens.focal_px.cwiseProduct(field.fade);
  page.add(
      "Field",
      fmt::format("fitted within {:.0f} px (x) and {:.0f} px (y) of the principal point of the "
                  "straightened picture; beyond it fades, and from {:.0f} and {:.0f} px on the "
                  "formula stands alone: there nothing was measured",
                  half_px.x(),
                  half_px.y(),
                  half_px.x() + fade_px.x(),
                  half_px.y() + fade_px.y()));
}

void add_model(Page& page, const Station& station) {
  const lens::Lens& lens = station.lens;
  page.add("Model", lens::model_name(lens.model));
  const auto names = lens::parameter_names(lens.model);
  const auto values = lens::parameters(lens.model);
  const std::optional<lens::LocalField> field = lens::local_field(lens.model);
  for (std::size_t i = 0; i < (field ? field->num_formula : names.size()); ++i) {
    page.add("",
             fmt::format("{} {}", names[i], with_sigma(values[i], sigma_of(station, names[i]))));
  }
  if (field) add_field(page, lens, *field);
  const double share = lens::invertible_share_of_border(lens);
  const double radius = lens::max_radius(lens.model);
  const std::string reach =
      std::isinf(radius) ? std::string("the mapping never folds")
                         : fmt::format("the mapping is one-to-one to {:.1f} deg off the axis",
                                       std::atan(radius) * 180.0 / std::numbers::pi);
  page.add("Domain",
           share == 1.0 ? "the whole plate can be straightened; " + reach
                        : fmt::format("only {:.1f} % of the plate's border can be straightened; {}",
                                      100.0 * share,
                                      reach));
}

void add_quality(Page& page, const Station& station) {
  if (!station.quality) {
    page.add("Fit", "not known: these numbers were not fitted to footage");
    return;
  }
  const Quality& quality = *station.quality;
  page.add(
      "Fit",
      fmt::format("rms {:.4f} px over {} in {} of {}; 95 % within {:.4f} px, largest {:.4f} px",
                  quality.rms_px,
                  plural(static_cast<std::size_t>(quality.num_points), "point"),
                  quality.num_frames_used,
                  plural(static_cast<std::size_t>(quality.num_frames), "frame"),
                  quality.p95_px,
                  quality.max_px));
  if (const std::optional<std::string> contradiction = contradiction_of(quality)) {
    page.add("", "doubtful, these are no fit's figures: " + *contradiction);
  } else {
    page.add("", words_of(fit_verdict(station.quality)));
  }
  if (quality.held_out_rms_px) {
    page.add("",
             fmt::format("held out: rms {:.4f} px, in frames the fit did not see",
                         *quality.held_out_rms_px));
  }
  if (quality.noise_sigma_px) {
    page.add(
        "",
        fmt::format("noise of one measured coordinate: sigma {:.4f} px", *quality.noise_sigma_px));
  }
  if (quality.map_sigma_rms_px && quality.map_sigma_max_px) {
    page.add("",
             fmt::format("predicted error {:.4f} px over {}, {:.4f} px at the worst place (one "
                         "standard deviation), after the {} that a camera solve absorbs",
                         *quality.map_sigma_rms_px,
                         quality.map_sigma_share.value_or(1.0) < 1.0
                             ? fmt::format("the {:.0f} % of the plate that see rays",
                                           100.0 * *quality.map_sigma_share)
                             : std::string("the plate"),
                         *quality.map_sigma_max_px,
                         quality.map_sigma_after == MapSigmaAfter::kRotationAndFocal
                             ? "rotation and change of focal length"
                             : "small rotation"));
  }
  if (quality.map_misfit_rms_px.value_or(0.0) > 0.0) {
    page.add("",
             fmt::format("of that, {:.4f} px because the model does not follow the lens",
                         *quality.map_misfit_rms_px));
  }
}

void add_left_out(Page& page, const Station& station) {
  std::string_view label = "Left out";
  const auto add = [&](const std::optional<LeftOut>& left_out, std::string_view others) {
    if (!left_out) return;
    page.add(label,
             fmt::format("what {} say of this one is off by {:.4f} px rms, {:.4f} px at worst",
                         others,
                         left_out->rms_px,
                         left_out->max_px));
    label = "";
  };
  add(station.without_station, "the other stations");
  add(station.without_focal_length, "the stations of other focal lengths");
}

void add_chart_as_found(Page& page, const Station& station) {
  if (!station.chart_as_found) return;
  const ChartAsFound& chart = *station.chart_as_found;
  std::string_view label = "Chart as found";
  const auto add = [&](const std::string& text) {
    page.add(label, text);
    label = "";
  };
  if (chart.bend_mm) {
    add(fmt::format("bent: {} at most off its best plane (a polynomial of degree {})",
                    with_sigma(chart.bend_mm->value, chart.bend_mm->sigma, " mm"),
                    chart.bend_degree.value_or(2)));
  }
  if (chart.print_error_mm) {
    add(fmt::format("points off their places by {:.4g} mm (rms; one is known to {:.2g} mm)",
                    chart.print_error_mm->value,
                    chart.print_error_mm->sigma));
  }
  if (chart.pitch_ratio) {
    add(fmt::format("pitch along y over x, relative to the description: {}",
                    with_sigma(chart.pitch_ratio->value, chart.pitch_ratio->sigma)));
  }
}

void add_channel(Page& page, std::string_view label, const ColourLens& colour) {
  const ColourShift& shift = colour.shift;
  page.add(
      label,
      fmt::format("beside green by {:.4f} px rms over the plate (sigma {:.2g}), at most {:.4f} "
                  "px (sigma {:.2g}), at {:.0f}, {:.0f}; {} (p {:.1g}, {})",
                  shift.rms_px,
                  shift.rms_sigma_px,
                  shift.max_px,
                  shift.max_sigma_px,
                  shift.max_at_px.x(),
                  shift.max_at_px.y(),
                  shift.significant ? "significant" : "not significant",
                  shift.p_value,
                  plural(static_cast<std::size_t>(colour.num_points), "point")));
  const auto number = [&](double value, std::string_view parameter, std::string_view unit = "") {
    return with_sigma(value, sigma(colour.uncertainty, parameter), unit);
  };
  const lens::Lens& lens = colour.lens;
  page.add("",
           fmt::format("focal length {} in x, {} in y; principal point {}, {}",
                       number(lens.focal_px.x(), "focal_x_px", " px"),
                       number(lens.focal_px.y(), "focal_y_px", " px"),
                       number(lens.principal_point_px.x(), "principal_x_px", " px"),
                       number(lens.principal_point_px.y(), "principal_y_px", " px")));
  std::string coefficients;
  const auto names = lens::parameter_names(lens.model);
  const auto values = lens::parameters(lens.model);
  const std::optional<lens::LocalField> field = lens::local_field(lens.model);
  for (std::size_t i = 0; i < (field ? field->num_formula : names.size()); ++i) {
    coefficients += fmt::format(
        "{}{} {}", coefficients.empty() ? "" : ", ", names[i], number(values[i], names[i]));
  }
  page.add("", coefficients);
}

void add_channels(Page& page, const Station& station) {
  if (!station.channels) return;
  page.add("Channels",
           "the lens above is that of green; red and blue follow, their sigmas those of what "
           "they differ from green");
  add_channel(page, "Red", station.channels->red);
  add_channel(page, "Blue", station.channels->blue);
}

void add_warnings(Page& page, const Station& station) {
  if (station.warnings.empty()) {
    page.add("Warnings", "none");
    return;
  }
  std::string_view label = "Warnings";
  for (const Warning& warning : station.warnings) {
    page.add(
        label,
        fmt::format("{}: {}", printable(warning.code), printable(warning.message, kMaxTextBytes)));
    label = "";
  }
}

void add_provenance(Page& page, const Provenance& provenance) {
  page.add("Made",
           fmt::format("{} by {} {}",
                       provenance.created,
                       printable(provenance.program),
                       printable(provenance.program_version)));
  page.add("Method", printable(provenance.method, kMaxTextBytes));
  const auto& footage = provenance.footage;
  if (footage.empty()) {
    page.add("Footage", "none listed");
    return;
  }
  const auto count = [&](auto condition) {
    return std::count_if(footage.begin(), footage.end(), condition);
  };
  page.add("Footage",
           fmt::format("{}, {} used, {} with its SHA-256",
                       plural(footage.size(), "piece"),
                       count([](const FootageItem& item) { return item.used; }),
                       count([](const FootageItem& item) { return !item.sha256.empty(); })));
  constexpr std::size_t kMaxListed = 10;
  std::size_t unused = 0;
  for (const FootageItem& item : footage) {
    if (item.used || ++unused > kMaxListed) continue;
    page.add("",
             fmt::format("not used: {} ({})",
                         printable(item.name, 200),
                         item.reason.empty() ? "no reason given" : printable(item.reason, 500)));
  }
  if (unused > kMaxListed) page.add("", fmt::format("not used: {} more", unused - kMaxListed));
}

}  // namespace

std::string describe(const Profile& profile) {
  Page page;
  add_labels(page, profile);
  for (std::size_t i = 0; i < profile.stations.size(); ++i) {
    const Station& station = profile.stations[i];
    page.add_heading(
        profile.stations.size() == 1
            ? fmt::format("Station: {}", state_text(station))
            : fmt::format(
                  "Station {} of {}: {}", i + 1, profile.stations.size(), state_text(station)));
    add_plate(page, station.lens);
    add_pinhole(page, station);
    add_distortion(page, station.lens);
    add_model(page, station);
    add_quality(page, station);
    add_left_out(page, station);
    add_chart_as_found(page, station);
    add_channels(page, station);
    add_warnings(page, station);
  }
  page.add_heading("Provenance");
  add_provenance(page, profile.provenance);
  return page.text();
}

std::string_view made_words(const Profile& profile) {
  const bool fitted =
      std::any_of(profile.stations.begin(), profile.stations.end(), [](const Station& station) {
        return station.quality.has_value();
      });
  return fitted ? "calibrated" : "profile made";
}

}  // namespace trueplate::profile
