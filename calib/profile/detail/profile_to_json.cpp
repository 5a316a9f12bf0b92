#include <cmath>

#include "calib/profile/detail/profile_json.h"

namespace trueplate::profile::detail {
namespace {

void put_text(Json& json, const char* key, const std::string& text) {
  if (!text.empty()) json[key] = text;
}

template <class T>
void put_optional(Json& json, const char* key, const std::optional<T>& value) {
  if (value) json[key] = *value;
}

Json json_of(const Labels& labels) {
  Json json = Json::object();
  put_text(json, "body", labels.body);
  put_text(json, "lens", labels.lens);
  put_text(json, "serial", labels.serial);
  put_text(json, "owner", labels.owner);
  put_text(json, "notes", labels.notes);
  return json;
}

Json json_of(const ChartUsed& chart) {
  Json json = Json::object();
  json["kind"] = chart.kind;
  put_optional(json, "pitch_mm", chart.pitch_mm);
  put_optional(json, "columns", chart.columns);
  put_optional(json, "rows", chart.rows);
  return json;
}

Json json_of(const Point2d& p) { return {{"x", p.x()}, {"y", p.y()}}; }

Json coefficients_of(const lens::Model& model) {
  Json coefficients = Json::object();
  const auto names = lens::parameter_names(model);
  const auto values = lens::parameters(model);
  for (std::size_t i = 0; i < names.size(); ++i) coefficients[std::string(names[i])] = values[i];
  return coefficients;
}

Json json_of(const lens::Lens& lens) {
  Json json = Json::object();
  json["plate_size_px"] = {{"width", lens.plate_size.width}, {"height", lens.plate_size.height}};
  json["pixel_aspect"] = lens.pixel_aspect;
  json["squeeze"] = lens.squeeze;
  if (lens.film_back) {
    json["film_back_mm"] = {{"width", lens.film_back->width_mm},
                            {"height", lens.film_back->height_mm}};
  }
  json["focal_px"] = json_of(lens.focal_px);
  json["principal_point_px"] = json_of(lens.principal_point_px);
  json["model"] = std::string(lens::model_name(lens.model));
  json["coefficients"] = coefficients_of(lens.model);
  return json;
}

Json json_of(const Uncertainty& uncertainty) {
  Json sigmas = Json::object();
  for (const std::string& name : uncertainty.parameters) {
    const std::optional<double> value = sigma(uncertainty, name);
    // A matrix too small has no variance for this parameter; the reader complains about it.
    if (value) sigmas[name] = *value;
  }
  Json covariance = Json::array();
  for (Eigen::Index row = 0; row < uncertainty.covariance.rows(); ++row) {
    Json values = Json::array();
    for (Eigen::Index column = 0; column < uncertainty.covariance.cols(); ++column) {
      values.push_back(uncertainty.covariance(row, column));
    }
    covariance.push_back(std::move(values));
  }
  return {{"parameters", uncertainty.parameters},
          {"sigma", std::move(sigmas)},
          {"covariance", std::move(covariance)}};
}

void put_measured(Json& json, const char* key, const std::optional<Measured>& measured) {
  if (measured) json[key] = {{"value", measured->value}, {"sigma", measured->sigma}};
}

Json json_of(const ChartAsFound& chart) {
  Json json = Json::object();
  put_measured(json, "pitch_ratio", chart.pitch_ratio);
  put_optional(json, "bend_degree", chart.bend_degree);
  put_measured(json, "bend_mm", chart.bend_mm);
  put_measured(json, "print_error_mm", chart.print_error_mm);
  return json;
}

Json json_of(const ColourShift& shift) {
  return {{"rms_px", shift.rms_px},
          {"rms_sigma_px", shift.rms_sigma_px},
          {"max_px", shift.max_px},
          {"max_sigma_px", shift.max_sigma_px},
          {"max_at_px", json_of(shift.max_at_px)},
          {"p_value", shift.p_value},
          {"significant", shift.significant}};
}

Json json_of(const ColourLens& colour) {
  return {{"focal_px", json_of(colour.lens.focal_px)},
          {"principal_point_px", json_of(colour.lens.principal_point_px)},
          {"coefficients", coefficients_of(colour.lens.model)},
          {"uncertainty", json_of(colour.uncertainty)},
          {"num_points", colour.num_points},
          {"rms_px", colour.rms_px},
          {"shift", json_of(colour.shift)}};
}

Json json_of(const Channels& channels) {
  return {{"red", json_of(channels.red)}, {"blue", json_of(channels.blue)}};
}

Json json_of(const Quality& quality) {
  Json json = Json::object();
  json["rms_px"] = quality.rms_px;
  put_optional(json, "held_out_rms_px", quality.held_out_rms_px);
  json["max_px"] = quality.max_px;
  json["p95_px"] = quality.p95_px;
  json["num_frames"] = quality.num_frames;
  json["num_frames_used"] = quality.num_frames_used;
  json["num_points"] = quality.num_points;
  put_optional(json, "noise_sigma_px", quality.noise_sigma_px);
  put_optional(json, "map_sigma_rms_px", quality.map_sigma_rms_px);
  put_optional(json, "map_sigma_max_px", quality.map_sigma_max_px);
  if (quality.map_sigma_rms_px || quality.map_sigma_max_px) {
    json["map_sigma_after"] = quality.map_sigma_after == MapSigmaAfter::kRotationAndFocal
                                  ? "rotation-and-focal"
                                  : "rotation";
  }
  put_optional(json, "map_sigma_share", quality.map_sigma_share);
  put_optional(json, "map_misfit_rms_px", quality.map_misfit_rms_px);
  return json;
}

void put_left_out(Json& json, const char* key, const std::optional<LeftOut>& left_out) {
  if (left_out) json[key] = {{"rms_px", left_out->rms_px}, {"max_px", left_out->max_px}};
}

Json json_of(const Station& station) {
  Json json = Json::object();
  put_optional(json, "nominal_focal_mm", station.nominal_focal_mm);
  if (station.focus_m && std::isinf(*station.focus_m) && *station.focus_m > 0.0) {
    json["focus_m"] = "inf";
  } else {
    put_optional(json, "focus_m", station.focus_m);
  }
  put_optional(json, "t_stop", station.t_stop);
  put_optional(json, "entrance_pupil_mm", station.entrance_pupil_mm);
  json["lens"] = json_of(station.lens);
  if (station.uncertainty) json["uncertainty"] = json_of(*station.uncertainty);
  if (station.chart_as_found) json["chart_as_found"] = json_of(*station.chart_as_found);
  if (station.channels) json["channels"] = json_of(*station.channels);
  if (station.quality) json["quality"] = json_of(*station.quality);
  put_left_out(json, "without_station", station.without_station);
  put_left_out(json, "without_focal_length", station.without_focal_length);
  Json warnings = Json::array();
  for (const Warning& warning : station.warnings) {
    Json item = {{"code", warning.code}, {"message", warning.message}, {"value", nullptr}};
    if (std::isfinite(warning.value)) item["value"] = warning.value;
    warnings.push_back(std::move(item));
  }
  json["warnings"] = std::move(warnings);
  return json;
}

Json json_of(const Provenance& provenance) {
  Json json = Json::object();
  json["created"] = provenance.created;
  json["program"] = {{"name", provenance.program}, {"version", provenance.program_version}};
  json["method"] = provenance.method;
  Json footage = Json::array();
  for (const FootageItem& item : provenance.footage) {
    Json entry = Json::object();
    entry["name"] = item.name;
    put_text(entry, "sha256", item.sha256);
    entry["points"] = item.points;
    put_optional(entry, "rms_px", item.rms_px);
    entry["used"] = item.used;
    put_text(entry, "reason", item.reason);
    footage.push_back(std::move(entry));
  }
  json["footage"] = std::move(footage);
  return json;
}

}  // namespace

Json json_of(const Profile& profile) {
  Json json = Json::object();
  json["format"] = std::string(kFormatName);
  json["format_version"] = kFormatVersion;
  json["labels"] = json_of(profile.labels);
  if (profile.chart) json["chart"] = json_of(*profile.chart);
  Json stations = Json::array();
  for (const Station& station : profile.stations) stations.push_back(json_of(station));
  json["stations"] = std::move(stations);
  json["provenance"] = json_of(profile.provenance);
  return json;
}

}  // namespace trueplate::profile::detail
