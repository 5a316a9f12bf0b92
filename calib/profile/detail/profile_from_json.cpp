#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/base/timestamp.h"
#include "calib/base/utf8.h"
#include "calib/profile/detail/fields.h"
#include "calib/profile/detail/profile_json.h"

namespace trueplate::profile::detail {
namespace {

using Names = std::vector<std::string_view>;

Labels labels_of(const Fields& fields) {
  return {.body = fields.optional_string("body"),
          .lens = fields.optional_string("lens"),
          .serial = fields.optional_string("serial"),
          .owner = fields.optional_string("owner"),
          .notes = fields.optional_string("notes")};
}

ChartUsed chart_of(const Fields& fields) {
  return {.kind = fields.string("kind"),
          .pitch_mm = fields.optional_number("pitch_mm", kPositive),
          .columns = fields.optional_integer("columns", 1),
          .rows = fields.optional_integer("rows", 1)};
}

Point2d pair_of(const Fields& parent, std::string_view key, const Range& range) {
  const Fields fields = parent.object(key, {"x", "y"});
  const double x = fields.number("x", range);
  const double y = fields.number("y", range);
  return {x, y};
}

/// The model of this name with the coefficients of the field `coefficients`.
lens::Model coefficients_of(const Fields& fields, const lens::ModelInfo& info) {
  const Names names(info.parameter_names.begin(), info.parameter_names.end());
  const Fields coefficients = fields.object("coefficients", names);
  std::vector<double> values;
  for (const std::string_view parameter : names) {
    values.push_back(coefficients.number(parameter, kCoefficient));
  }
  Result<lens::Model> model = lens::make_model(info.name, values);
  if (!model) {
    fields.complain("coefficients", model.error().message);
    return {};
  }
  return *model;
}

lens::Model model_of(const Fields& fields) {
  const std::string name = fields.string("model");
  const auto table = lens::model_table();
  const auto info =
      std::find_if(table.begin(), table.end(), [&](const auto& row) { return row.name == name; });
  if (info == table.end()) {
    std::string known;
    for (const lens::ModelInfo& row : table) {
      known += known.empty() ? "" : ", ";
      known += row.name;
    }
    fields.complain(
        "model",
        fmt::format(
            "is \"{}\", wanted a lens model this version knows ({})", printable(name), known));
    return {};
  }
  return coefficients_of(fields, *info);
}

lens::Lens lens_of(const Fields& fields) {
  lens::Lens lens;
  const Fields size = fields.object("plate_size_px", {"width", "height"});
  lens.plate_size = {size.integer("width", 1, kMaxImageSide),
                     size.integer("height", 1, kMaxImageSide)};
  lens.pixel_aspect = fields.number("pixel_aspect", kAspect);
  lens.squeeze = fields.number("squeeze", kAspect);
  if (fields.has("film_back_mm")) {
    const Fields film_back = fields.object("film_back_mm", {"width", "height"});
    lens.film_back = lens::FilmBack{.width_mm = film_back.number("width", kFilmBackMm),
                                    .height_mm = film_back.number("height", kFilmBackMm)};
  }
  lens.focal_px = pair_of(fields, "focal_px", kFocalPx);
  lens.principal_point_px = pair_of(fields, "principal_point_px", kPrincipalPointPx);
  lens.model = model_of(fields);
  return lens;
}

/// The list of parameter names, which must be `wanted` in this order.
void check_parameters(const Fields& fields, const std::vector<std::string>& wanted) {
  const Json& names = fields.list("parameters");
  const bool same = std::equal(names.begin(),
                               names.end(),
                               wanted.begin(),
                               wanted.end(),
                               [](const Json& a, const std::string& b) { return a == b; });
  if (same) return;
  std::string list;
  for (const std::string& name : wanted) list += (list.empty() ? "" : ", ") + name;
  fields.complain(
      "parameters",
      fmt::format(
          "has {} names, wanted these {} in this order: {}", names.size(), wanted.size(), list));
}

/// A matrix that is square, of `size`, and finite; empty after a complaint.
Eigen::MatrixXd square_of(const Fields& fields, std::string_view key, std::size_t size) {
  const Json& rows = fields.list(key);
  if (rows.size() != size) {
    fields.complain(key,
                    fmt::format("has {} rows, wanted {} rows of {} numbers, one for each parameter",
                                rows.size(),
                                size,
                                size));
    return {};
  }
  Eigen::MatrixXd matrix(size, size);
  for (std::size_t i = 0; i < size; ++i) {
    const std::string path = fmt::format("{}[{}]", fields.path_of(key), i);
    if (!rows[i].is_array() || rows[i].size() != size) {
      fields.complaint().set(
          path,
          fmt::format("{}, wanted {} numbers, one for each parameter",
                      rows[i].is_array() ? fmt::format("has {} elements", rows[i].size())
                                         : found_text(rows[i]),
                      size));
      return {};
    }
    for (std::size_t j = 0; j < size; ++j) {
      const std::optional<double> value =
          number_in_range(rows[i][j], kFinite, fmt::format("{}[{}]", path, j), fields.complaint());
      if (!value) return {};
      matrix(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) = *value;
    }
  }
  return matrix;
}

/// What every covariance is: variances not negative, symmetric, correlations within -1 .. 1.
void check_covariance(const Eigen::MatrixXd& c, std::string_view path, Complaint& complaint) {
  // Far above the rounding of a matrix inverse, far below any difference that would matter.
  constexpr double kTolerance = 1e-6;
  for (Eigen::Index i = 0; i < c.rows(); ++i) {
    if (c(i, i) < 0.0) {
      complaint.set(fmt::format("{}[{}][{}]", path, i, i),
                    fmt::format("is {}, wanted zero or more: it is a variance", c(i, i)));
    }
  }
  for (Eigen::Index i = 0; i < c.rows(); ++i) {
    for (Eigen::Index j = 0; j < i; ++j) {
      // The square roots one by one: the product of two variances may underflow.
      const double scale = std::sqrt(std::max(c(i, i), 0.0)) * std::sqrt(std::max(c(j, j), 0.0));
      const std::string element = fmt::format("{}[{}][{}]", path, i, j);
      if (std::abs(c(i, j) - c(j, i)) > kTolerance * scale) {
        complaint.set(
            element,
            fmt::format(
                "is {}, but [{}][{}] is {}; a covariance is symmetric", c(i, j), j, i, c(j, i)));
      }
      if (std::abs(c(i, j)) > (1.0 + kTolerance) * scale) {
        complaint.set(
            element,
            fmt::format(
                "is {}, more than the two standard deviations multiplied ({})", c(i, j), scale));
      }
    }
  }
}

Uncertainty uncertainty_of(const Fields& fields, const lens::Lens& lens) {
  Uncertainty uncertainty;
  uncertainty.parameters = station_parameter_names(lens);
  check_parameters(fields, uncertainty.parameters);
  const std::size_t size = uncertainty.parameters.size();
  uncertainty.covariance = square_of(fields, "covariance", size);
  if (uncertainty.covariance.size() == 0) return uncertainty;
  check_covariance(uncertainty.covariance, fields.path_of("covariance"), fields.complaint());

  const Fields sigmas =
      fields.object("sigma", Names(uncertainty.parameters.begin(), uncertainty.parameters.end()));
  for (std::size_t i = 0; i < size; ++i) {
    constexpr double kTolerance = 1e-9;
    const std::string& name = uncertainty.parameters[i];
    const double written = sigmas.number(name, kZeroOrMore);
    const auto k = static_cast<Eigen::Index>(i);
    const double wanted = std::sqrt(std::max(uncertainty.covariance(k, k), 0.0));
    if (std::abs(written - wanted) > kTolerance * wanted) {
      sigmas.complain(
          name,
          fmt::format("is {}, but the root of covariance[{}][{}] is {}", written, i, i, wanted));
    }
  }
  return uncertainty;
}

std::optional<Measured> measured_of(const Fields& parent,
                                    std::string_view key,
                                    const Range& range) {
  if (!parent.has(key)) return std::nullopt;
  const Fields fields = parent.object(key, {"value", "sigma"});
  const double value = fields.number("value", range);
  return Measured{value, fields.number("sigma", kZeroOrMore)};
}

ChartAsFound chart_as_found_of(const Fields& fields) {
  ChartAsFound chart;
  chart.pitch_ratio = measured_of(fields, "pitch_ratio", kZeroOrMore);
  if (fields.has("bend_degree")) chart.bend_degree = fields.integer("bend_degree", 2, 4);
  chart.bend_mm = measured_of(fields, "bend_mm", kZeroOrMore);
  chart.print_error_mm = measured_of(fields, "print_error_mm", kZeroOrMore);
  return chart;
}

ColourShift shift_of(const Fields& fields) {
  ColourShift shift;
  shift.rms_px = fields.number("rms_px", kZeroOrMore);
  shift.rms_sigma_px = fields.number("rms_sigma_px", kZeroOrMore);
  shift.max_px = fields.number("max_px", kZeroOrMore);
  shift.max_sigma_px = fields.number("max_sigma_px", kZeroOrMore);
  shift.max_at_px = pair_of(fields, "max_at_px", kPrincipalPointPx);
  shift.p_value = fields.number("p_value", {.least = 0.0, .most = 1.0});
  shift.significant = fields.boolean("significant");
  return shift;
}

/// The lens of a colour, in what it shares with `green` the same.
ColourLens colour_of(const Fields& fields, const lens::Lens& green) {
  ColourLens colour;
  colour.lens = green;
  colour.lens.focal_px = pair_of(fields, "focal_px", kFocalPx);
  colour.lens.principal_point_px = pair_of(fields, "principal_point_px", kPrincipalPointPx);
  colour.lens.model =
      coefficients_of(fields, {lens::model_name(green.model), lens::parameter_names(green.model)});
  colour.uncertainty = uncertainty_of(
      fields.object("uncertainty", {"parameters", "sigma", "covariance"}), colour.lens);
  colour.num_points = fields.integer("num_points", 0);
  colour.rms_px = fields.number("rms_px", kZeroOrMore);
  colour.shift = shift_of(fields.object(
      "shift",
      {"rms_px", "rms_sigma_px", "max_px", "max_sigma_px", "max_at_px", "p_value", "significant"}));
  return colour;
}

Channels channels_of(const Fields& fields, const lens::Lens& green) {
  const Names known{"focal_px",
                    "principal_point_px",
                    "coefficients",
                    "uncertainty",
                    "num_points",
                    "rms_px",
                    "shift"};
  ColourLens red = colour_of(fields.object("red", known), green);
  return {.red = std::move(red), .blue = colour_of(fields.object("blue", known), green)};
}

Quality quality_of(const Fields& fields) {
  Quality quality;
  quality.rms_px = fields.number("rms_px", kZeroOrMore);
  quality.held_out_rms_px = fields.optional_number("held_out_rms_px", kZeroOrMore);
  quality.max_px = fields.number("max_px", kZeroOrMore);
  quality.p95_px = fields.number("p95_px", kZeroOrMore);
  quality.num_frames = fields.integer("num_frames", 0);
  quality.num_frames_used = fields.integer("num_frames_used", 0);
  quality.num_points = fields.integer("num_points", 0);
  quality.noise_sigma_px = fields.optional_number("noise_sigma_px", kZeroOrMore);
  quality.map_sigma_rms_px = fields.optional_number("map_sigma_rms_px", kZeroOrMore);
  quality.map_sigma_max_px = fields.optional_number("map_sigma_max_px", kZeroOrMore);
  quality.map_sigma_share = fields.optional_number("map_sigma_share", kZeroOrMore);
  quality.map_misfit_rms_px = fields.optional_number("map_misfit_rms_px", kZeroOrMore);
  if (fields.has("map_sigma_after")) {
    const std::string after = fields.string("map_sigma_after");
    if (after == "rotation-and-focal") {
      quality.map_sigma_after = MapSigmaAfter::kRotationAndFocal;
    } else if (after != "rotation") {
      fields.complain("map_sigma_after",
                      fmt::format("is '{}', wanted 'rotation' or 'rotation-and-focal'", after));
    }
  }
  if (quality.num_frames_used > quality.num_frames) {
    fields.complain("num_frames_used",
                    fmt::format("is {}, more than num_frames, which is {}",
                                quality.num_frames_used,
                                quality.num_frames));
  }
  return quality;
}

std::vector<Warning> warnings_of(const Fields& fields) {
  std::vector<Warning> warnings;
  const Json& list = fields.list("warnings");
  for (std::size_t i = 0; i < list.size(); ++i) {
    const Fields item = fields.element("warnings", i, {"code", "message", "value"});
    const bool has_no_value =
        list[i].is_object() && list[i].contains("value") && list[i]["value"].is_null();
    warnings.push_back({.code = item.string("code"),
                        .message = item.string("message"),
                        .value = has_no_value ? std::numeric_limits<double>::quiet_NaN()
                                              : item.number("value", kFinite)});
  }
  return warnings;
}

std::optional<LeftOut> left_out_of(const Fields& parent, std::string_view key) {
  if (!parent.has(key)) return std::nullopt;
  const Fields fields = parent.object(key, {"rms_px", "max_px"});
  const double rms_px = fields.number("rms_px", kZeroOrMore);
  return LeftOut{rms_px, fields.number("max_px", kZeroOrMore)};
}

Station station_of(const Fields& fields) {
  Station station;
  station.nominal_focal_mm = fields.optional_number("nominal_focal_mm", kPositive);
  station.focus_m = fields.optional_distance("focus_m");
  station.t_stop = fields.optional_number("t_stop", kPositive);
  station.entrance_pupil_mm = fields.optional_number("entrance_pupil_mm", kEntrancePupilMm);
  station.lens = lens_of(fields.object("lens",
                                       {"plate_size_px",
                                        "pixel_aspect",
                                        "squeeze",
                                        "film_back_mm",
                                        "focal_px",
                                        "principal_point_px",
                                        "model",
                                        "coefficients"}));
  if (fields.has("uncertainty")) {
    station.uncertainty = uncertainty_of(
        fields.object("uncertainty", {"parameters", "sigma", "covariance"}), station.lens);
  }
  if (fields.has("chart_as_found")) {
    station.chart_as_found = chart_as_found_of(fields.object(
        "chart_as_found", {"pitch_ratio", "bend_degree", "bend_mm", "print_error_mm"}));
  }
  if (fields.has("channels")) {
    station.channels = channels_of(fields.object("channels", {"red", "blue"}), station.lens);
  }
  if (fields.has("quality")) {
    station.quality = quality_of(fields.object("quality",
                                               {"rms_px",
                                                "held_out_rms_px",
                                                "max_px",
                                                "p95_px",
                                                "num_frames",
                                                "num_frames_used",
                                                "num_points",
                                                "noise_sigma_px",
                                                "map_sigma_rms_px",
                                                "map_sigma_max_px",
                                                "map_sigma_after",
                                                "map_sigma_share",
                                                "map_misfit_rms_px"}));
  }
  station.without_station = left_out_of(fields, "without_station");
  station.without_focal_length = left_out_of(fields, "without_focal_length");
  station.warnings = warnings_of(fields);
  return station;
}

bool is_sha256(std::string_view text) {
  return text.size() == 64 && text.find_first_not_of("0123456789abcdef") == std::string_view::npos;
}

FootageItem footage_item_of(const Fields& fields) {
  FootageItem item;
  item.name = fields.string("name");
  item.sha256 = fields.optional_string("sha256");
  if (fields.has("sha256") && !is_sha256(item.sha256)) {
    fields.complain("sha256",
                    fmt::format("is \"{}\", wanted 64 lower-case hexadecimal digits",
                                printable(item.sha256, 70)));
  }
  item.points = fields.integer("points", 0);
  item.rms_px = fields.optional_number("rms_px", kZeroOrMore);
  item.used = fields.boolean("used");
  item.reason = fields.optional_string("reason");
  return item;
}

Provenance provenance_of(const Fields& fields) {
  Provenance provenance;
  provenance.created = fields.string("created");
  if (!is_utc_timestamp(provenance.created)) {
    fields.complain("created",
                    fmt::format("is \"{}\", wanted a time in UTC such as 2031-05-04T10:20:30Z",
                                printable(provenance.created)));
  }
  const Fields program = fields.object("program", {"name", "version"});
  provenance.program = program.string("name");
  provenance.program_version = program.string("version");
  provenance.method = fields.string("method");
  const Json& footage = fields.list("footage");
  for (std::size_t i = 0; i < footage.size() && !fields.complaint().message(); ++i) {
    provenance.footage.push_back(footage_item_of(
        fields.element("footage", i, {"name", "sha256", "points", "rms_px", "used", "reason"})));
  }
  return provenance;
}

/// Whether this is a profile, and of a version that can be read. Comes before everything else,
/// because a newer version may have fields that look like mistakes here.
std::optional<std::string> format_complaint(const Json& json) {
  if (!json.is_object() || !json.contains("format") || json["format"] != kFormatName) {
    const std::string found = !json.is_object() ? fmt::format("the text {}", found_text(json))
                              : !json.contains("format")
                                  ? std::string("format: is missing")
                                  : fmt::format("format: {}", found_text(json["format"]));
    return fmt::format("{}, wanted an object with \"format\": \"{}\"; this is no lens profile",
                       found,
                       kFormatName);
  }
  if (!json.contains("format_version") || !json["format_version"].is_number()) return std::nullopt;
  const double version = json["format_version"].get<double>();
  if (version != std::floor(version) || version < 1.0) {
    return fmt::format(
        "format_version: is {}, wanted a whole number from 1 (this version reads up to {})",
        json["format_version"].dump(),
        kFormatVersion);
  }
  if (version > kFormatVersion) {
    return fmt::format(
        "format_version: profile format {} is newer than {}, the newest this version reads; update "
        "trueplate",
        json["format_version"].dump(),
        kFormatVersion);
  }
  return std::nullopt;
}

}  // namespace

Result<Profile> profile_of(const Json& json) {
  if (const std::optional<std::string> wrong_format = format_complaint(json)) {
    return fail(ErrorCode::kUnreadable, *wrong_format);
  }
  Complaint complaint;
  const Fields root(json,
                    "",
                    {"format", "format_version", "labels", "chart", "stations", "provenance"},
                    complaint);
  static_cast<void>(root.integer("format_version", 1, kFormatVersion));
  Profile profile;
  profile.labels = labels_of(root.object("labels", {"body", "lens", "serial", "owner", "notes"}));
  if (root.has("chart")) {
    profile.chart = chart_of(root.object("chart", {"kind", "pitch_mm", "columns", "rows"}));
  }
  const Json& stations = root.list("stations");
  if (stations.empty()) root.complain("stations", "is empty, wanted at least one station");
  for (std::size_t i = 0; i < stations.size() && !complaint.message(); ++i) {
    profile.stations.push_back(station_of(root.element("stations",
                                                       i,
                                                       {"nominal_focal_mm",
                                                        "focus_m",
                                                        "t_stop",
                                                        "entrance_pupil_mm",
                                                        "lens",
                                                        "uncertainty",
                                                        "chart_as_found",
                                                        "channels",
                                                        "quality",
                                                        "without_station",
                                                        "without_focal_length",
                                                        "warnings"})));
  }
  profile.provenance =
      provenance_of(root.object("provenance", {"created", "program", "method", "footage"}));
  if (complaint.message()) return fail(ErrorCode::kUnreadable, *complaint.message());
  return profile;
}

}  // namespace trueplate::profile::detail
