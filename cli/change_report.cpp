#include "cli/change_report.h"

#include <fmt/format.h>

#include <cmath>
#include <optional>

#include "calib/base/utf8.h"

namespace trueplate::cli {
namespace {

std::string or_unknown(const std::string& text) {
  return text.empty() ? std::string("?") : printable(text);
}

nlohmann::json number_or_null(const std::optional<double>& value) {
  if (!value) return nullptr;
  if (std::isinf(*value)) return "inf";
  return *value;
}

nlohmann::json difference_json(const compare::FieldDifference& difference) {
  return {{"rms_px", difference.rms_px},
          {"max_px", difference.max_px},
          {"max_at_px", {{"x", difference.max_at_px.x()}, {"y", difference.max_at_px.y()}}}};
}

}  // namespace

std::string identity_text(const profile::Profile& profile) {
  const profile::Station& station = profile.stations.front();
  const lens::Lens& lens = station.lens;
  std::string text = fmt::format("lens {}, serial {}, body {}, {}x{}",
                                 or_unknown(profile.labels.lens),
                                 or_unknown(profile.labels.serial),
                                 or_unknown(profile.labels.body),
                                 lens.plate_size.width,
                                 lens.plate_size.height);
  if (lens.film_back) {
    text += fmt::format(" of {:g}x{:g} mm", lens.film_back->width_mm, lens.film_back->height_mm);
  }
  if (station.nominal_focal_mm) text += fmt::format(", {:g} mm", *station.nominal_focal_mm);
  if (station.focus_m) text += fmt::format(" at {:g} m", *station.focus_m);
  return text + fmt::format(", {}, {}",
                            lens::model_name(lens.model),
                            printable(profile.provenance.created));
}

nlohmann::json identity_json(const profile::Profile& profile) {
  const profile::Station& station = profile.stations.front();
  const lens::Lens& lens = station.lens;
  nlohmann::json json = {
      {"lens", printable(profile.labels.lens, 1000)},
      {"serial", printable(profile.labels.serial, 1000)},
      {"body", printable(profile.labels.body, 1000)},
      {"plate_size", {{"width", lens.plate_size.width}, {"height", lens.plate_size.height}}},
      {"film_back_mm", nullptr},
      {"nominal_focal_mm", number_or_null(station.nominal_focal_mm)},
      {"focus_m", number_or_null(station.focus_m)},
      {"model", lens::model_name(lens.model)},
      {"created", printable(profile.provenance.created)}};
  if (lens.film_back) {
    json["film_back_mm"] = {{"width", lens.film_back->width_mm},
                            {"height", lens.film_back->height_mm}};
  }
  return json;
}

nlohmann::json change_json(const compare::LensChange& change) {
  const auto known = [&change](double value) {
    return change.has_uncertainty ? nlohmann::json(value) : nlohmann::json(nullptr);
  };
  return {{"verdict", compare::verdict_name(change.verdict)},
          {"before", difference_json(change.before)},
          {"after", difference_json(change.after)},
          {"turn_deg", change.turn_deg},
          {"focal_ratio", change.focal_ratio},
          {"p_value", known(change.p_value)},
          {"explained_rms_px", known(change.explained_rms_px)},
          {"detectable_rms_px", known(change.detectable_rms_px)}};
}

}  // namespace trueplate::cli
