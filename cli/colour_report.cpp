#include "cli/colour_report.h"

#include <fmt/format.h>

namespace trueplate::cli {
namespace {

nlohmann::json point_json(const Point2d& p) { return {{"x", p.x()}, {"y", p.y()}}; }

nlohmann::json colour_json(const fit::ColourFit& colour,
                           const std::vector<std::string>& parameter_names) {
  nlohmann::json coefficients = nlohmann::json::object();
  const auto names = lens::parameter_names(colour.lens.model);
  const auto values = lens::parameters(colour.lens.model);
  for (std::size_t i = 0; i < names.size(); ++i) coefficients[std::string(names[i])] = values[i];
  nlohmann::json sigma = nlohmann::json::object();
  for (std::size_t i = 0; i < parameter_names.size(); ++i)
    sigma[parameter_names[i]] = colour.sigma[static_cast<Eigen::Index>(i)];
  const fit::ColourShift& shift = colour.shift;
  return {{"focal_px", point_json(colour.lens.focal_px)},
          {"principal_point_px", point_json(colour.lens.principal_point_px)},
          {"coefficients", coefficients},
          {"sigma", sigma},
          {"points", colour.num_pairs},
          {"rejected", colour.num_rejected},
          {"rms_px", colour.rms_px},
          {"shift",
           {{"rms_px", shift.rms_px},
            {"rms_sigma_px", shift.rms_sigma_px},
            {"max_px", shift.max_px},
            {"max_sigma_px", shift.max_sigma_px},
            {"max_at_px", point_json(shift.max_at_px)},
            {"max_shift_px", point_json(shift.max_shift_px)},
            {"p_value", shift.p_value},
            {"significant", shift.significant}}}};
}

std::string colour_text(std::string_view name, const fit::ColourFit& colour) {
  const fit::ColourShift& shift = colour.shift;
  return fmt::format(
      "{} beside green: {:.4f} px rms over the frame (sigma {:.4f}), at most {:.4f} px (sigma "
      "{:.4f}) at {:.0f}, {:.0f}: {} ({} points, {:.4f} px rms left)\n",
      name,
      shift.rms_px,
      shift.rms_sigma_px,
      shift.max_px,
      shift.max_sigma_px,
      shift.max_at_px.x(),
      shift.max_at_px.y(),
      shift.significant ? "significant" : "not significant",
      colour.num_pairs,
      colour.rms_px);
}

}  // namespace

nlohmann::json colours_json(const Calibration& calibration) {
  if (!calibration.colours) return {};
  const auto& names = calibration.fit.parameter_names;
  return {{"red", colour_json(calibration.colours->red, names)},
          {"blue", colour_json(calibration.colours->blue, names)}};
}

std::string colours_text(const Calibration& calibration) {
  if (!calibration.colours) return "";
  return colour_text("red", calibration.colours->red) +
         colour_text("blue", calibration.colours->blue);
}

}  // namespace trueplate::cli
