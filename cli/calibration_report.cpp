#include "cli/calibration_report.h"

#include <fmt/format.h>

#include <cmath>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "calib/lens/model.h"
#include "cli/colour_report.h"
#include "cli/command.h"

namespace trueplate::cli {
namespace {

nlohmann::json measured_json(const std::optional<fit::Measured>& measured) {
  if (!measured) return {};
  return {{"value", measured->value}, {"sigma", measured->sigma}};
}

nlohmann::json chart_json(const fit::ChartFit& chart) {
  nlohmann::json tests = nlohmann::json::array();
  for (const fit::ChartTest& test : chart.tests) {
    tests.push_back({{"term", test.term},
                     {"p_value", test.p_value},
                     {"gain_px", test.gain_px},
                     {"held_out_gain", test.held_out_gain},
                     {"kept", test.kept}});
  }
  return {{"pitch_ratio", measured_json(chart.pitch_ratio)},
          {"bend_degree", chart.bend_degree},
          {"bend_mm", measured_json(chart.bend_mm)},
          {"print_error_mm", measured_json(chart.print_error_mm)},
          {"num_turned", chart.num_turned},
          {"not_tested", chart.reason},
          {"tests", tests}};
}

/// What was found out about the print, in a line.
std::string chart_text(const fit::ChartFit& chart) {
  if (chart.as_described()) {
    return chart.reason.empty()
               ? std::string("chart: as described\n")
               : fmt::format("chart: taken as flat and true, not tested: {}\n", chart.reason);
  }
  std::string text;
  const auto add = [&](const std::string& part) { text += (text.empty() ? "" : "; ") + part; };
  // A shape that was asked for is fitted, whether or not the frames show it.
  constexpr double kSignificant = 3.0;
  const auto doubt = [&](const fit::Measured& found, double described) {
    return std::abs(found.value - described) < kSignificant * found.sigma ? ", not significant"
                                                                          : "";
  };
  if (chart.bend_mm) {
    add(fmt::format("bent by {:.3f} mm (sigma {:.3f}, degree {}{})",
                    chart.bend_mm->value,
                    chart.bend_mm->sigma,
                    chart.bend_degree,
                    doubt(*chart.bend_mm, 0.0)));
  }
  if (chart.print_error_mm) {
    add(fmt::format("points off by {:.3f} mm rms (sigma {:.3f} each)",
                    chart.print_error_mm->value,
                    chart.print_error_mm->sigma));
  }
  if (chart.pitch_ratio) {
    add(fmt::format("pitch y over x {:.5f} (sigma {:.5f}{})",
                    chart.pitch_ratio->value,
                    chart.pitch_ratio->sigma,
                    doubt(*chart.pitch_ratio, 1.0)));
  }
  return fmt::format("chart: {}\n", text);
}

/// What the model cannot follow; null where there were too few points to ask.
nlohmann::json misfit_json(const fit::LensFit& fit) {
  if (!fit.misfit) return {};
  return {
      {"p_value", fit.misfit->p_value},
      {"rms_px", fit.misfit->rms_px},
      {"max_px", fit.misfit->max_px},
      {"max_at_px", {{"x", fit.misfit->worst_plate_px.x()}, {"y", fit.misfit->worst_plate_px.y()}}},
      {"noise_sigma_px", fit.misfit->noise_sigma_px}};
}

/// The focal lengths that fit as well, where the frames do not tell it.
nlohmann::json focal_range_json(const fit::LensFit& fit) {
  if (!fit.focal_range_px) return {};
  return {{"least", fit.focal_range_px->first}, {"most", fit.focal_range_px->second}};
}

nlohmann::json trials_json(const std::vector<fit::ModelTrial>& trials) {
  const auto number = [](const std::optional<double>& value) {
    return value ? nlohmann::json(*value) : nlohmann::json();
  };
  nlohmann::json result = nlohmann::json::array();
  for (const fit::ModelTrial& trial : trials) {
    result.push_back({{"model", trial.model},
                      {"coefficients", trial.num_coefficients},
                      {"rms_px", number(trial.rms_px)},
                      {"held_out_rms_px", number(trial.held_out_rms_px)},
                      {"bic_excess", number(trial.bic_excess)},
                      {"held_out_gain", trial.held_out_gain},
                      {"chosen", trial.chosen},
                      {"reason", trial.reason}});
  }
  return result;
}

/// The models that were tried, a line each.
std::string trials_text(const std::vector<fit::ModelTrial>& trials) {
  if (trials.empty()) return "";
  const auto number = [](const std::optional<double>& value) {
    return value ? fmt::format("{:.4f}", *value) : std::string("-");
  };
  std::string text = fmt::format(
      "  {:<22} {:>6} {:>9} {:>9} {:>9}\n", "model", "terms", "rms px", "held out", "BIC over");
  for (const fit::ModelTrial& trial : trials) {
    text += fmt::format("  {:<22} {:>6} {:>9} {:>9} {:>9}  {}\n",
                        trial.model,
                        trial.num_coefficients,
                        number(trial.rms_px),
                        number(trial.held_out_rms_px),
                        trial.bic_excess ? fmt::format("{:.0f}", *trial.bic_excess) : "-",
                        trial.chosen ? "chosen" : trial.reason);
  }
  return text + "  (models are compared on the same corners; the lens is then fitted anew)\n";
}

/// Of the used frames that the fit used in part: how many of their corners it left out.
std::map<std::string, int> corners_left_out(const fit::LensFit& fit) {
  std::map<std::string, int> result;
  for (const fit::FrameFit& frame : fit.frames) {
    if (frame.used && frame.num_used < frame.num_points) {
      result[frame.frame] = frame.num_points - frame.num_used;
    }
  }
  return result;
}

}  // namespace

nlohmann::json calibration_json(const Calibration& calibration) {
  const profile::Station& station = calibration.profile.stations.front();
  const lens::Lens& lens = station.lens;
  const std::optional<Point2d> focal_mm = lens::focal_mm(lens);
  nlohmann::json coefficients = nlohmann::json::object();
  const auto names = lens::parameter_names(lens.model);
  const auto values = lens::parameters(lens.model);
  for (std::size_t i = 0; i < names.size(); ++i) coefficients[std::string(names[i])] = values[i];
  nlohmann::json sigma = nlohmann::json::object();
  for (std::size_t i = 0; i < calibration.fit.parameter_names.size(); ++i) {
    sigma[calibration.fit.parameter_names[i]] = calibration.fit.sigma[static_cast<Eigen::Index>(i)];
  }
  nlohmann::json frames = nlohmann::json::array();
  for (const profile::FootageItem& item : calibration.profile.provenance.footage) {
    frames.push_back({{"name", item.name},
                      {"points", item.points},
                      {"rms_px", item.rms_px ? nlohmann::json(*item.rms_px) : nlohmann::json()},
                      {"used", item.used},
                      {"reason", item.reason}});
  }
  const auto& held_out = calibration.fit.held_out_rms_px;
  return {{"model", lens::model_name(lens.model)},
          {"models", trials_json(calibration.trials)},
          {"rms_px", calibration.fit.rms_px},
          {"held_out_rms_px", held_out ? nlohmann::json(*held_out) : nlohmann::json()},
          {"max_px", calibration.fit.max_residual_px},
          {"p95_px", calibration.fit.p95_residual_px},
          {"map_sigma_rms_px", calibration.fit.map_sigma_rms_px},
          {"map_sigma_max_px", calibration.fit.map_sigma_max_px},
          {"map_sigma_share", calibration.fit.map_sigma_share},
          {"misfit", misfit_json(calibration.fit)},
          {"focal_px", {{"x", lens.focal_px.x()}, {"y", lens.focal_px.y()}}},
          {"focal_range_px", focal_range_json(calibration.fit)},
          {"focal_from_distance_px", measured_json(calibration.fit.focal_from_distance_px)},
          {"focal_mm", focal_mm ? nlohmann::json(focal_mm->x()) : nlohmann::json()},
          {"focal_mm_y", focal_mm ? nlohmann::json(focal_mm->y()) : nlohmann::json()},
          {"principal_point_px",
           {{"x", lens.principal_point_px.x()}, {"y", lens.principal_point_px.y()}}},
          {"coefficients", coefficients},
          {"sigma", sigma},
          {"chart", chart_json(calibration.fit.chart)},
          {"channels", colours_json(calibration)},
          {"frames", frames},
          {"warnings", warnings_json(station.warnings)},
          {"seconds", calibration.fit.seconds}};
}

std::string calibration_text(const Calibration& calibration, const std::string& output) {
  const profile::Station& station = calibration.profile.stations.front();
  const lens::Lens& lens = station.lens;
  std::string text;
  const std::map<std::string, int> left_out = corners_left_out(calibration.fit);
  int num_not_chosen = 0;
  for (const profile::FootageItem& item : calibration.profile.provenance.footage) {
    if (item.reason.starts_with("not chosen")) {
      ++num_not_chosen;
      continue;
    }
    const std::string corners =
        left_out.contains(item.name)
            ? fmt::format("{} of {}", item.points - left_out.at(item.name), item.points)
            : fmt::format("{}", item.points);
    text += fmt::format("  {:<24} {:>10} corners  {}{}\n",
                        item.name,
                        corners,
                        item.rms_px ? fmt::format("{:.3f} px", *item.rms_px) : "-",
                        item.used ? std::string() : fmt::format("  not used: {}", item.reason));
  }
  if (num_not_chosen > 0) {
    text +=
        fmt::format("  {} more frames with a chart were not chosen; the profile says why, each\n",
                    num_not_chosen);
  }
  text += trials_text(calibration.trials);
  text += fmt::format("{}: rms {:.4f} px over {} corners in {} frames",
                      lens::model_name(lens.model),
                      calibration.fit.rms_px,
                      calibration.fit.num_points,
                      calibration.fit.num_frames);
  if (calibration.fit.held_out_rms_px) {
    text += fmt::format(", held out {:.4f} px", *calibration.fit.held_out_rms_px);
  }
  text += fmt::format("\nfocal length {:.3f} x {:.3f} px (sigma {:.3f} x {:.3f})",
                      lens.focal_px.x(),
                      lens.focal_px.y(),
                      calibration.fit.sigma[0],
                      calibration.fit.sigma[1]);
  if (const auto focal_mm = lens::focal_mm(lens)) {
    text += fmt::format(" = {:.3f} x {:.3f} mm", focal_mm->x(), focal_mm->y());
  }
  if (const auto& alone = calibration.fit.focal_from_distance_px) {
    text += fmt::format(
        "; {:.3f} px (sigma {:.3f}) from the chart distance alone", alone->value, alone->sigma);
  }
  text += "\n" + chart_text(calibration.fit.chart) + colours_text(calibration);
  text += fmt::format("-> {}\n", output);
  return text;
}

}  // namespace trueplate::cli
