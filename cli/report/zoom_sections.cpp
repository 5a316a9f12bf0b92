#include "cli/report/zoom_sections.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <optional>
#include <utility>
#include <vector>

#include "calib/lens/distortion_measures.h"
#include "calib/zoom/zoom_profile.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

constexpr double kNotKnown = std::numeric_limits<double>::quiet_NaN();

double corner_percent(const lens::Lens& lens) {
  return lens::mean_corner_percent(lens).value_or(kNotKnown);
}

/// One quantity over all states.
struct Quantity {
  std::string_view name;
  std::string_view unit;
  double matters = 0.0;  // what differs by less is the same
  std::function<double(const zoom::LensAtState&)> value;
  bool by_size = false;  // shaded by how far it is from 0, whichever way
};

/// Of distortion, in percent: the same on every page, so that a strong one has one look.
const std::vector<double> kDistortionSteps{0.5, 1.0, 2.0, 5.0, 10.0};

const std::vector<Quantity>& quantities() {
  static const std::vector<Quantity> list{
      {"distortion in the corners",
       "%",
       0.05,
       [](const auto& at) { return corner_percent(at.lens); },
       true},
      {"predicted error, rms", "px", 0.005, [](const auto& at) { return at.sigma.rms_px; }},
      {"predicted error, worst place", "px", 0.005, [](const auto& at) { return at.sigma.max_px; }},
      {"horizontal field of view", "deg", 0.02, [](const auto& at) {
         return lens::straight_field_of_view(at.lens).horizontal_deg;
       }}};
  return list;
}

/// Five or so steps between the least and the largest value, whatever their signs.
std::vector<double> even_steps(double least, double most) {
  constexpr int kSteps = 5;  // seven classes at most
  std::vector<double> steps;
  if (!(most > least)) return {least};
  const double raw = (most - least) / (kSteps + 1);
  const double decade = std::pow(10.0, std::floor(std::log10(raw)));
  double step = 10.0 * decade;
  for (const double digit : {5.0, 2.0, 1.0}) {
    if (digit * decade >= raw) step = digit * decade;
  }
  for (double value = std::ceil(least / step) * step; value < most; value += step) {
    if (value > least) steps.push_back(std::stod(fmt::format("{:.6g}", value)));
  }
  return steps.empty() ? std::vector<double>{std::stod(fmt::format("{:.4g}", most))} : steps;
}

/// Lines at the borders of the classes; of what lies within one or two of them, at even steps.
std::vector<double> distortion_levels(double least, double most) {
  std::vector<double> levels;
  const auto add = [&](double level) {
    if (level > least && level < most) levels.push_back(level);
  };
  for (auto step = kDistortionSteps.rbegin(); step != kDistortionSteps.rend(); ++step) add(-*step);
  add(0.0);
  for (const double step : kDistortionSteps) add(step);
  return levels.size() < 3 ? even_steps(least, most) : levels;
}

json quantity_json(const ZoomStates& states, const Quantity& quantity) {
  json values = json::array();
  double least = std::numeric_limits<double>::infinity();
  double most = -least;
  for (std::size_t i = 0; i < states.beside.size(); ++i) {
    const auto& at = states.beside[i];
    const double value = at ? quantity.value(*at) : kNotKnown;
    values.push_back(std::isfinite(value) ? json(std::stod(fmt::format("{:.6g}", value))) : json());
    if (!std::isfinite(value) || !states.found[i]) continue;
    least = std::min(least, value);
    most = std::max(most, value);
  }
  const bool is_same = !(most - least >= quantity.matters);
  const bool is_error = quantity.unit == "px";
  const std::vector<double> classes =
      quantity.by_size ? kDistortionSteps
      : is_error       ? std::vector<double>(kErrorStepsPx.begin(), kErrorStepsPx.end())
                       : even_steps(least, most);
  const std::vector<double> levels = is_same            ? std::vector<double>{}
                                     : quantity.by_size ? distortion_levels(least, most)
                                     : is_error         ? error_levels(least, most)
                                                        : classes;
  json same;
  if (is_same && most >= least) {
    same = fmt::format("the same everywhere, {:.3g} {}, to {:g} {}",
                       0.5 * (least + most),
                       quantity.unit,
                       quantity.matters,
                       quantity.unit);
  }
  return {{"name", quantity.name},
          {"unit", quantity.unit},
          {"values", values},
          {"steps", classes},
          {"levels", levels},
          {"by_size", quantity.by_size},
          {"same", same}};
}

/// Values of what is spaced evenly, from the least to the largest, each once.
std::vector<double> distinct(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  values.erase(std::unique(values.begin(),
                           values.end(),
                           [](double a, double b) { return b - a < 1e-9 * (1.0 + std::abs(a)); }),
               values.end());
  return values;
}

/// The stations' focal lengths, ln mm.
std::vector<double> station_focals(const profile::Profile& profile) {
  std::vector<double> values;
  for (const profile::Station& station : profile.stations) {
    if (const auto focal = zoom::station_focal_mm(station)) values.push_back(std::log(*focal));
  }
  return distinct(std::move(values));
}

/// The stations' focus distances, 1/m.
std::vector<double> station_dioptres(const profile::Profile& profile) {
  std::vector<double> values;
  for (const profile::Station& station : profile.stations) {
    if (station.focus_m) values.push_back(1.0 / *station.focus_m);
  }
  return distinct(std::move(values));
}

/// With a tick at each station; the page names those that have room.
json axis_json(const StateAxis& axis,
               std::string_view label,
               const std::vector<double>& stations,
               const std::function<std::string(double)>& text) {
  json ticks = json::array();
  for (const double value : stations) {
    ticks.push_back({{"at", axis.place_of(value)}, {"label", text(value)}});
  }
  return {{"label", label}, {"count", axis.count}, {"ticks", ticks}};
}

json point_of(double x, double value) { return {rounded(x, 1e-4), rounded(value, 1e-5)}; }

json distortion_curves(const profile::Profile& profile, bool by_focal, json series) {
  json ticks = json::array();
  for (const double value : by_focal ? station_focals(profile) : station_dioptres(profile)) {
    ticks.push_back(rounded(by_focal ? std::exp(value) : value, 1e-4));
  }
  return {{"kind", "curves"},
          {"title", by_focal ? "Distortion over focal length" : "Distortion over focus"},
          {"words", json::array()},
          {"caption",
           "Mean of the four corners (ISO 9039); negative is barrel. Rings are "
           "stations, each where it was calibrated."},
          {"x_label", by_focal ? "focal length, mm" : "focus"},
          {"x_dioptres", !by_focal},
          {"x_ticks", std::move(ticks)},
          {"y_label", "distortion, %"},
          {"x_unit", by_focal ? "mm" : ""},
          {"y_unit", "%"},
          {"series", std::move(series)}};
}

/// A focal length's curve between its own nearest and farthest station, in percent of the farthest;
/// empty where it has no two. Elsewhere the change with focus is taken from other focal lengths.
json breathing_points(const zoom::Breathing& curve, json& stations) {
  const auto is_station = [](const auto& point) { return point.is_station; };
  const auto first = std::find_if(curve.points.begin(), curve.points.end(), is_station);
  const auto last = std::find_if(curve.points.rbegin(), curve.points.rend(), is_station);
  json points = json::array();
  if (first == curve.points.end() || std::next(first) >= last.base()) return points;
  const double farthest = 1.0 + last->scale_percent / 100.0;
  for (auto point = first; point != last.base(); ++point) {
    points.push_back(point_of(std::isinf(point->focus_m) ? 0.0 : 1.0 / point->focus_m,
                              100.0 * ((1.0 + point->scale_percent / 100.0) / farthest - 1.0)));
    if (point->is_station) stations.push_back(points.back());
  }
  return points;
}

}  // namespace

/// The number and its unit stay on one line.
std::string unbroken(std::string_view text) {
  std::string result;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool joins = text[i] == ' ' && i > 0 && text[i - 1] >= '0' && text[i - 1] <= '9';
    if (joins) {
      result += "\xC2\xA0";
    } else {
      result += text[i];
    }
  }
  return result;
}

std::string state_text(const profile::Station& station) {
  return zoom::state_text({.focal_mm = zoom::station_focal_mm(station),
                           .focus_m = station.focus_m,
                           .t_stop = station.t_stop});
}

json surface_section(const profile::Profile& profile, const ZoomStates& states) {
  if (states.focal.count == 1 || states.dioptres.count == 1) return {};
  json stations = json::array();
  for (const profile::Station& station : profile.stations) {
    const auto focal = zoom::station_focal_mm(station);
    if (!focal || !station.focus_m) continue;
    stations.push_back({{"column", states.focal.place_of(std::log(*focal))},
                        {"row", states.dioptres.place_of(1.0 / *station.focus_m)},
                        {"label", state_text(station)}});
  }
  json outline = json::array();
  for (const Point2d& p : states.hull) {
    outline.push_back({rounded(p.x(), 1e-4), rounded(p.y(), 1e-4)});
  }
  json surrounded = json::array();
  for (const auto& at : states.found) surrounded.push_back(at ? 1 : 0);
  json list = json::array();
  for (const Quantity& quantity : quantities()) list.push_back(quantity_json(states, quantity));
  json states_text = json::array();
  for (int row = 0; row < states.dioptres.count; ++row) {
    for (int column = 0; column < states.focal.count; ++column) {
      states_text.push_back(
          fmt::format("{:.4g} mm at {}", states.focal_mm(column), focus_text(states.focus_m(row))));
    }
  }
  return {
      {"kind", "surface"},
      {"title", "The lens over focal length and focus"},
      {"words",
       {"Rings are the stations that were calibrated; between them the lens is interpolated. "
        "Lines join states of equal value; a thick one is 0, where barrel turns to pincushion. "
        "Hatched: no stations around it, nothing was measured of how the lens changes there, and "
        "only a station there tells. Where the predicted error is large between stations, one "
        "more there helps most."}},
      {"caption",
       states.t_stop ? fmt::format("At T{:g}. Focal lengths by their logarithm, focus distances "
                                   "by their reciprocal.",
                                   *states.t_stop)
                     : std::string("Focal lengths by their logarithm, focus distances by their "
                                   "reciprocal, in which lenses change evenly.")},
      {"x",
       axis_json(states.focal,
                 "focal length",
                 station_focals(profile),
                 [](double v) { return fmt::format("{:.3g} mm", std::exp(v)); })},
      {"y",
       axis_json(
           states.dioptres,
           "focus",
           station_dioptres(profile),
           [](double d) { return d <= 1e-9 ? std::string("infinity") : focus_text(1.0 / d); })},
      {"states", states_text},
      {"outline", outline},
      {"surrounded", surrounded},
      {"stations", stations},
      {"quantities", list}};
}

json distortion_section(const profile::Profile& profile, const ZoomStates& states) {
  const bool by_focal = states.focal.count > 1;
  const StateAxis& axis = by_focal ? states.focal : states.dioptres;
  const std::vector<double> at_stations =
      by_focal ? station_focals(profile) : station_dioptres(profile);
  // Evenly, and where stations are: between two places a curve would pass beside its station.
  std::vector<double> places = at_stations;
  for (int i = 0; i < axis.count; ++i) places.push_back(axis.at(i));
  places = distinct(std::move(places));
  json series = json::array();
  const auto add = [&](std::string name, double dioptres) {
    json points = json::array();
    json stations = json::array();
    for (const double place : places) {
      const auto at =
          by_focal ? states.lens_at(place, dioptres) : states.lens_at(states.focal.least, place);
      const double percent = at ? corner_percent(at->lens) : kNotKnown;
      if (!std::isfinite(percent)) continue;
      points.push_back(point_of(by_focal ? std::exp(place) : place, percent));
    }
    // Over less than a quarter of the places it tells nothing of how the lens changes.
    if (points.size() < 2 || 4 * points.size() < places.size()) return;
    for (const profile::Station& station : profile.stations) {
      const auto focal = zoom::station_focal_mm(station);
      const double own = station.focus_m ? 1.0 / *station.focus_m : 0.0;
      if (!focal || (by_focal && states.has_focus && std::abs(own - dioptres) > 1e-9)) continue;
      const double percent = corner_percent(station.lens);
      if (std::isfinite(percent)) stations.push_back(point_of(by_focal ? *focal : own, percent));
    }
    series.push_back({{"name", std::move(name)},
                      {"points", std::move(points)},
                      {"stations", std::move(stations)}});
  };
  if (by_focal && states.has_focus) {
    // At focus distances that stations have.
    const std::vector<double> all = station_dioptres(profile);
    std::vector<double> chosen = distinct({all.front(), all[all.size() / 2], all.back()});
    for (const double d : chosen) {
      add("at " + focus_text(d <= 0.0 ? std::numeric_limits<double>::infinity() : 1.0 / d), d);
    }
  } else {
    add("distortion", 0.0);
  }
  if (series.empty()) return {};
  return distortion_curves(profile, by_focal, std::move(series));
}

json breathing_section(const profile::Profile& profile, const zoom::ZoomLens& lens) {
  constexpr std::string_view kTitle = "Breathing";
  const std::vector<zoom::Breathing> curves = zoom::breathing(profile, lens);
  if (curves.empty() || curves.front().points.size() < 2) return {};
  json series = json::array();
  std::string without;
  for (const zoom::Breathing& curve : curves) {
    const std::string name = fmt::format("{:g} mm", curve.focal_mm);
    json stations = json::array();
    json points = breathing_points(curve, stations);
    if (points.empty()) {
      without += (without.empty() ? "" : ", ") + name;
    } else {
      series.push_back(
          {{"name", name}, {"points", std::move(points)}, {"stations", std::move(stations)}});
    }
  }
  if (series.empty()) {
    return {{"kind", "words"},
            {"title", kTitle},
            {"words",
             {"Not known: it needs two focus distances at one focal length, and no focal length "
              "has them."}}};
  }
  json words = json::array(
      {"By how much larger things are seen than at the farthest focus, as the focus is pulled."});
  if (!without.empty()) {
    words.push_back(
        fmt::format("Not known at {}: it needs two focus distances at one focal length.", without));
  }
  return {{"kind", "curves"},
          {"title", kTitle},
          {"words", words},
          {"caption", "Of each focal length, between its own stations, the rings."},
          {"x_label", "focus"},
          {"x_dioptres", true},
          {"x_ticks", station_dioptres(profile)},
          {"y_label", "enlarged by, %"},
          {"x_unit", ""},
          {"y_unit", "%"},
          {"series", series}};
}

json stations_section(const profile::Profile& profile) {
  const auto left_out = [](const std::optional<profile::LeftOut>& value) {
    return number_cell(value ? std::optional(value->rms_px) : std::nullopt);
  };
  json rows = json::array();
  for (const profile::Station& station : profile.stations) {
    const auto& quality = station.quality;
    const double percent = corner_percent(station.lens);
    rows.push_back(
        table_row({fmt::format("{}", rows.size() + 1),
                   unbroken(state_text(station)),
                   quality ? json(fmt::format("{:.4f}", quality->rms_px)) : json(),
                   number_cell(quality ? quality->map_sigma_rms_px : std::nullopt),
                   number_cell(quality ? quality->map_sigma_max_px : std::nullopt),
                   std::isfinite(percent) ? json(fmt::format("{:+.3f}", percent)) : json(),
                   left_out(station.without_station),
                   left_out(station.without_focal_length),
                   fmt::format("{}", station.warnings.size())}));
  }
  return {
      {"kind", "table"},
      {"title", "Every station"},
      {"words",
       {"Missed by the others: how far what the other stations say of this one is from it, rms. "
        "Much more than the predicted error means that the station, or a neighbour, does not "
        "belong, or that stations are too far apart. Missed by other focal lengths: the same "
        "without all stations of its focal length. A dash: the others do not surround it. "
        "trueplate report --station N shows one of them whole."}},
      {"columns",
       {number_column(""),
        text_column("station"),
        number_column("residuals px"),
        number_column("predicted error px"),
        number_column("worst place px"),
        number_column("corners %"),
        number_column("missed by the others px"),
        number_column("missed by other focal lengths px"),
        number_column("warnings")}},
      {"rows", rows}};
}

}  // namespace trueplate::cli
