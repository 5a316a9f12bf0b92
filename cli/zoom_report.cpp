#include "cli/zoom_report.h"

#include <fmt/format.h>

#include <cmath>

#include "calib/zoom/zoom_profile.h"

namespace trueplate::cli {
namespace {

std::string focus_text(double focus_m) {
  return std::isinf(focus_m) ? std::string("inf") : fmt::format("{:g} m", focus_m);
}

nlohmann::json left_out_json(const std::optional<profile::LeftOut>& left_out) {
  if (!left_out) return {};
  return {{"rms_px", left_out->rms_px}, {"max_px", left_out->max_px}};
}

nlohmann::json optional_json(const std::optional<double>& value) {
  return value ? nlohmann::json(*value) : nlohmann::json();
}

}  // namespace

std::string stations_text(const profile::Profile& profile) {
  const auto px = [](const std::optional<double>& value) {
    return value ? fmt::format("{:.4f}", *value) : std::string("-");
  };
  const auto rms = [&](const std::optional<profile::LeftOut>& left_out) {
    return px(left_out ? std::optional(left_out->rms_px) : std::nullopt);
  };
  std::string text = fmt::format("  {:<24} {:>9} {:>17} {:>22}\n",
                                 "station",
                                 "sigma px",
                                 "left out, off by",
                                 "its focal length, by");
  for (const profile::Station& station : profile.stations) {
    const zoom::ZoomState state{.focal_mm = zoom::station_focal_mm(station),
                                .focus_m = station.focus_m,
                                .t_stop = station.t_stop};
    text += fmt::format("  {:<24} {:>9} {:>17} {:>22}\n",
                        zoom::state_text(state),
                        px(station.quality ? station.quality->map_sigma_rms_px : std::nullopt),
                        rms(station.without_station),
                        rms(station.without_focal_length));
  }
  return text;
}

std::string pool_text(const std::vector<zoom::PoolTest>& tests) {
  std::string text;
  for (const zoom::PoolTest& test : tests) {
    text += fmt::format("  {} of {} ({} stations): chi-square {:.1f} of {}, p {:.2g}: {}\n",
                        test.what,
                        test.over,
                        test.num_stations,
                        test.chi_square,
                        test.degrees,
                        test.p_value,
                        test.pooled ? "common" : "not common");
  }
  return text;
}

std::string breathing_text(const profile::Profile& profile, const zoom::ZoomLens& lens) {
  const std::vector<zoom::Breathing> curves = zoom::breathing(profile, lens);
  if (curves.empty() || curves.front().points.size() < 2) return "";
  std::string text =
      "\nBreathing: horizontal field of view on the plate, and by how much larger things are seen "
      "than at the farthest focus\n";
  for (const zoom::Breathing& curve : curves) {
    text += fmt::format("  {:>7g} mm", curve.focal_mm);
    for (const zoom::Breathing::Point& point : curve.points) {
      text += fmt::format("   {}{}: {:.3f} deg, {:+.2f} %",
                          focus_text(point.focus_m),
                          point.is_station ? "" : " (between)",
                          point.horizontal_view_deg,
                          point.scale_percent);
    }
    text += '\n';
  }
  return text;
}

nlohmann::json stations_json(const profile::Profile& profile) {
  nlohmann::json stations = nlohmann::json::array();
  for (const profile::Station& station : profile.stations) {
    nlohmann::json focus = optional_json(station.focus_m);
    if (station.focus_m && std::isinf(*station.focus_m)) focus = "inf";
    stations.push_back(
        {{"focal_mm", optional_json(zoom::station_focal_mm(station))},
         {"focus_m", focus},
         {"t_stop", optional_json(station.t_stop)},
         {"map_sigma_rms_px",
          station.quality ? optional_json(station.quality->map_sigma_rms_px) : nlohmann::json()},
         {"without_station", left_out_json(station.without_station)},
         {"without_focal_length", left_out_json(station.without_focal_length)}});
  }
  return stations;
}

nlohmann::json pool_json(const std::vector<zoom::PoolTest>& tests) {
  nlohmann::json result = nlohmann::json::array();
  for (const zoom::PoolTest& test : tests) {
    result.push_back({{"what", test.what},
                      {"over", test.over},
                      {"stations", test.num_stations},
                      {"chi_square", test.chi_square},
                      {"degrees", test.degrees},
                      {"p_value", test.p_value},
                      {"pooled", test.pooled}});
  }
  return result;
}

}  // namespace trueplate::cli
