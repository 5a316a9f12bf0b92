#include "cli/change_report.h"

#include <fmt/format.h>

#include <cmath>
#include <optional>
#include <string_view>
#include <utility>

#include "calib/base/utf8.h"
#include "calib/zoom/zoom_profile.h"
#include "cli/state_options.h"

namespace trueplate::cli {
namespace {

/// "lens plover-25, serial 118, "; what the profile does not say is left out.
std::string labels_text(const profile::Labels& labels) {
  std::string text;
  for (const auto& [name, value] :
       {std::pair<std::string_view, const std::string&>{"lens", labels.lens},
        {"serial", labels.serial},
        {"body", labels.body}}) {
    if (!value.empty()) text += fmt::format("{} {}, ", name, printable(value));
  }
  return text.empty() ? "no labels, " : text;
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
  std::string text = labels_text(profile.labels) +
                     fmt::format("{}x{}", lens.plate_size.width, lens.plate_size.height);
  if (lens.film_back) {
    text += fmt::format(" of {:g}x{:g} mm", lens.film_back->width_mm, lens.film_back->height_mm);
  }
  if (profile.stations.size() > 1) {
    text += fmt::format(", {} stations", profile.stations.size());
  } else {
    if (station.nominal_focal_mm) text += fmt::format(", {:g} mm", *station.nominal_focal_mm);
    if (station.focus_m) text += fmt::format(" at {:g} m", *station.focus_m);
  }
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
  if (profile.stations.size() > 1) {
    json["stations"] = profile.stations.size();
    json["nominal_focal_mm"] = nullptr;
    json["focus_m"] = nullptr;
  }
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

nlohmann::json change_json(const compare::ZoomChange& change) {
  nlohmann::json stations = nlohmann::json::array();
  for (const compare::StationChange& station : change.stations) {
    nlohmann::json row = change_json(station.change);
    row.update(state_json(station.state));
    stations.push_back(std::move(row));
  }
  nlohmann::json between = nlohmann::json::array();
  for (const compare::BetweenChange& one : change.between) {
    nlohmann::json row = state_json(one.state);
    row["after"] = difference_json(one.apart);
    row["sigma_px"] = one.sigma_px;
    between.push_back(std::move(row));
  }
  return {{"verdict", compare::verdict_name(change.verdict)},
          {"p_value", change.p_value},
          {"detectable_rms_px", change.detectable_rms_px},
          {"stations", std::move(stations)},
          {"between", std::move(between)},
          {"only_a", change.num_only_first},
          {"only_b", change.num_only_second}};
}

std::string change_table(const compare::ZoomChange& change) {
  std::string text = fmt::format("  {:<26} {:>9} {:>9} {:>12} {:>9}  {}\n",
                                 "state",
                                 "rms px",
                                 "largest",
                                 "explained px",
                                 "p",
                                 "verdict");
  for (const compare::StationChange& station : change.stations) {
    const compare::LensChange& one = station.change;
    text += fmt::format("  {:<26} {:>9.4f} {:>9.4f} {:>12} {:>9}  {}\n",
                        zoom::state_text(station.state),
                        one.after.rms_px,
                        one.after.max_px,
                        one.has_uncertainty ? fmt::format("{:.4f}", one.explained_rms_px) : "-",
                        one.has_uncertainty ? fmt::format("{:.2g}", one.p_value) : "-",
                        compare::verdict_name(one.verdict));
  }
  for (const compare::BetweenChange& one : change.between) {
    text += fmt::format("  {:<26} {:>9.4f} {:>9.4f} {:>12} {:>9}  between, sigma {:.4f} px\n",
                        zoom::state_text(one.state),
                        one.apart.rms_px,
                        one.apart.max_px,
                        "",
                        "",
                        one.sigma_px);
  }
  return text;
}

}  // namespace trueplate::cli
