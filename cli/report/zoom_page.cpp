#include "cli/report/zoom_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <map>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/lens/distortion_measures.h"
#include "calib/profile/verdict.h"
#include "calib/zoom/zoom_lens.h"
#include "calib/zoom/zoom_profile.h"
#include "cli/report/lens_sections.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

constexpr int kColumns = 25;
constexpr int kRows = 13;
constexpr double kNotKnown = std::numeric_limits<double>::quiet_NaN();

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

std::string focus_text(double focus_m) {
  return std::isinf(focus_m) ? std::string("infinity") : fmt::format("{:.3g} m", focus_m);
}

/// Places along one side of the map of states: focal lengths by their logarithm, focus distances by
/// their reciprocal, as the lens is interpolated.
struct Axis {
  double least = 0.0;  // of what is spaced evenly
  double most = 0.0;
  int count = 1;

  [[nodiscard]] double at(int i) const {
    return count == 1 ? least : least + (most - least) * i / (count - 1);
  }
  /// The place of a value, 0 to count - 1.
  [[nodiscard]] double place_of(double value) const {
    return count == 1 ? 0.0 : (count - 1) * (value - least) / (most - least);
  }
};

Axis axis_between(double least, double most, int count) {
  return {least, most, most > least * (1.0 + 1e-9) || most > least + 1e-9 ? count : 1};
}

/// A place on the map of states, in columns and rows.
struct Place {
  double column = 0.0;
  double row = 0.0;
};

/// To the left of the way from a to b, in cells times its length.
double left_of(const Place& a, const Place& b, const Place& p) {
  return (b.column - a.column) * (p.row - a.row) - (b.row - a.row) * (p.column - a.column);
}

/// The convex hull of places, counterclockwise (monotone chain, Andrew 1979); of places on one line
/// its two ends.
std::vector<Place> hull_of(std::vector<Place> places) {
  std::sort(places.begin(), places.end(), [](const Place& a, const Place& b) {
    return std::pair(a.column, a.row) < std::pair(b.column, b.row);
  });
  std::vector<Place> hull;
  for (int side = 0; side < 2; ++side) {
    const std::size_t first = hull.size();
    for (const Place& place : places) {
      while (hull.size() >= first + 2 &&
             left_of(hull[hull.size() - 2], hull.back(), place) <= 1e-9) {
        hull.pop_back();
      }
      hull.push_back(place);
    }
    hull.pop_back();  // begins the other side
    std::reverse(places.begin(), places.end());
  }
  return hull;
}

/// What can be asked at every state.
struct States {
  const zoom::ZoomLens* lens = nullptr;
  Axis focal;     // ln mm
  Axis dioptres;  // 1/m
  bool has_focus = false;
  std::optional<double> t_stop;
  std::vector<std::optional<zoom::LensAtState>> found;  // row by row

  std::vector<Place> hull;  // of the stations

  [[nodiscard]] const std::optional<zoom::LensAtState>& at(int column, int row) const {
    return found[static_cast<std::size_t>(row * focal.count + column)];
  }
  /// Whether the state is between stations, not only within the reach of each axis.
  [[nodiscard]] bool surrounded(int column, int row) const {
    constexpr double kHalfCell = 0.5;
    const Place p{static_cast<double>(column), static_cast<double>(row)};
    for (std::size_t i = 0; i < hull.size(); ++i) {
      const Place& a = hull[i];
      const Place& b = hull[(i + 1) % hull.size()];
      const double length = std::hypot(b.column - a.column, b.row - a.row);
      if (left_of(a, b, p) < -kHalfCell * length) return false;
    }
    return true;
  }
  [[nodiscard]] double focal_mm(int column) const { return std::exp(focal.at(column)); }
  [[nodiscard]] double focus_m(int row) const {
    const double d = dioptres.at(row);
    return d <= 0.0 ? std::numeric_limits<double>::infinity() : 1.0 / d;
  }
};

States states_of(const profile::Profile& profile, const zoom::ZoomLens& lens) {
  const zoom::ZoomLens::Reach& reach = lens.reach();
  States states;
  states.lens = &lens;
  states.focal =
      axis_between(std::log(reach.least_focal_mm), std::log(reach.most_focal_mm), kColumns);
  states.has_focus = reach.nearest_m && reach.farthest_m;
  if (states.has_focus) {
    states.dioptres = axis_between(1.0 / *reach.farthest_m, 1.0 / *reach.nearest_m, kRows);
  }
  if (!reach.t_stops.empty()) states.t_stop = reach.t_stops.front();
  std::vector<Place> places;
  for (const profile::Station& station : profile.stations) {
    const auto focal = zoom::station_focal_mm(station);
    if (!focal) continue;
    places.push_back({states.focal.place_of(std::log(*focal)),
                      station.focus_m ? states.dioptres.place_of(1.0 / *station.focus_m) : 0.0});
  }
  states.hull = hull_of(std::move(places));
  for (int row = 0; row < states.dioptres.count; ++row) {
    for (int column = 0; column < states.focal.count; ++column) {
      zoom::ZoomState state{.t_stop = states.t_stop};
      // The ends as they are stated, lest rounding put them beyond the stations.
      state.focal_mm =
          std::clamp(states.focal_mm(column), reach.least_focal_mm, reach.most_focal_mm);
      if (states.has_focus) {
        state.focus_m = std::clamp(states.focus_m(row), *reach.nearest_m, *reach.farthest_m);
      }
      if (!states.surrounded(column, row)) {
        states.found.emplace_back();
        continue;
      }
      Result<zoom::LensAtState> found = lens.at(state);
      states.found.push_back(found ? std::optional(std::move(*found)) : std::nullopt);
    }
  }
  return states;
}

double corner_percent(const lens::Lens& lens) {
  const auto corner = lens::frame_distortion(lens).corner;
  return corner ? corner->percent() : kNotKnown;
}

/// One quantity over all states.
struct Quantity {
  std::string_view name;
  std::string_view unit;
  std::function<double(const zoom::LensAtState&)> value;
};

const std::vector<Quantity>& quantities() {
  static const std::vector<Quantity> list{
      {"distortion in the corner", "%", [](const auto& at) { return corner_percent(at.lens); }},
      {"predicted error, rms", "px", [](const auto& at) { return at.sigma.rms_px; }},
      {"predicted error, worst place", "px", [](const auto& at) { return at.sigma.max_px; }},
      {"horizontal field of view", "deg", [](const auto& at) {
         return lens::straight_field_of_view(at.lens).horizontal_deg;
       }}};
  return list;
}

/// Six steps between the least and the largest value, whatever their signs.
std::vector<double> even_steps(double least, double most) {
  constexpr int kSteps = 6;
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

json quantity_json(const States& states, const Quantity& quantity) {
  json values = json::array();
  double least = std::numeric_limits<double>::infinity();
  double most = -least;
  for (const auto& found : states.found) {
    const double value = found ? quantity.value(*found) : kNotKnown;
    values.push_back(std::isfinite(value) ? json(std::stod(fmt::format("{:.6g}", value))) : json());
    if (!std::isfinite(value)) continue;
    least = std::min(least, value);
    most = std::max(most, value);
  }
  return {{"name", quantity.name},
          {"unit", quantity.unit},
          {"values", values},
          {"steps", even_steps(least, most)}};
}

json axis_json(const Axis& axis,
               std::string_view label,
               const std::function<std::string(double)>& text) {
  constexpr int kTicks = 5;
  json ticks = json::array();
  for (int i = 0; i < (axis.count == 1 ? 1 : kTicks); ++i) {
    const double place =
        axis.count == 1 ? 0.0 : static_cast<double>(i * (axis.count - 1)) / (kTicks - 1);
    const double value =
        axis.least + (axis.count == 1 ? 0.0 : (axis.most - axis.least) * i / (kTicks - 1));
    ticks.push_back({{"at", place}, {"label", text(value)}});
  }
  return {{"label", label}, {"count", axis.count}, {"ticks", ticks}};
}

std::string state_text(const profile::Station& station) {
  return zoom::state_text({.focal_mm = zoom::station_focal_mm(station),
                           .focus_m = station.focus_m,
                           .t_stop = station.t_stop});
}

/// The lens over focal length and focus; null where only one of them changes.
json surface_section(const profile::Profile& profile, const States& states) {
  if (states.focal.count == 1 || states.dioptres.count == 1) return {};
  json stations = json::array();
  for (const profile::Station& station : profile.stations) {
    const auto focal = zoom::station_focal_mm(station);
    if (!focal || !station.focus_m) continue;
    stations.push_back({{"column", states.focal.place_of(std::log(*focal))},
                        {"row", states.dioptres.place_of(1.0 / *station.focus_m)},
                        {"label", state_text(station)}});
  }
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
                 [](double v) { return fmt::format("{:.3g} mm", std::exp(v)); })},
      {"y",
       axis_json(
           states.dioptres,
           "focus",
           [](double d) { return d <= 1e-9 ? std::string("infinity") : focus_text(1.0 / d); })},
      {"states", states_text},
      {"stations", stations},
      {"quantities", list}};
}

json point_of(double x, double value) { return {rounded(x, 1e-4), rounded(value, 1e-5)}; }

json distortion_curves(const States& states, json series) {
  const bool by_focal = states.focal.count > 1;
  return {{"kind", "curves"},
          {"title", by_focal ? "Distortion over focal length" : "Distortion over focus"},
          {"words", json::array()},
          {"caption", "In the corner that is distorted most (ISO 9039); negative is barrel."},
          {"x_label", by_focal ? "focal length, mm" : "focus"},
          {"x_dioptres", !by_focal},
          {"y_label", "distortion, %"},
          {"x_unit", by_focal ? "mm" : ""},
          {"y_unit", "%"},
          {"series", std::move(series)}};
}

/// Distortion along the axis that changes: over focal lengths at the nearest and the farthest
/// focus, or over focus.
json curve_of(const States& states) {
  json series = json::array();
  const auto add = [&](std::string name, json points) {
    if (points.size() > 1)
      series.push_back({{"name", std::move(name)}, {"points", std::move(points)}});
  };
  if (states.focal.count > 1) {
    std::vector<int> rows{0};
    if (states.dioptres.count > 1) rows = {0, states.dioptres.count / 2, states.dioptres.count - 1};
    for (const int row : rows) {
      json points = json::array();
      for (int column = 0; column < states.focal.count; ++column) {
        const auto& at = states.at(column, row);
        const double percent = at ? corner_percent(at->lens) : kNotKnown;
        if (std::isfinite(percent)) points.push_back(point_of(states.focal_mm(column), percent));
      }
      // A stub tells nothing of how the lens changes.
      if (4 * static_cast<int>(points.size()) < states.focal.count) continue;
      add(states.has_focus ? "at " + focus_text(states.focus_m(row)) : std::string("distortion"),
          std::move(points));
    }
  } else {
    json points = json::array();
    for (int row = 0; row < states.dioptres.count; ++row) {
      const auto& at = states.at(0, row);
      const double percent = at ? corner_percent(at->lens) : kNotKnown;
      if (std::isfinite(percent)) points.push_back(point_of(states.dioptres.at(row), percent));
    }
    add("distortion", std::move(points));
  }
  if (series.empty()) return {};
  return distortion_curves(states, std::move(series));
}

/// A focal length's curve between its own nearest and farthest station, in percent of the farthest;
/// empty where it has no two. Elsewhere the change with focus is taken from other focal lengths.
json breathing_points(const zoom::Breathing& curve) {
  const auto is_station = [](const auto& point) { return point.is_station; };
  const auto first = std::find_if(curve.points.begin(), curve.points.end(), is_station);
  const auto last = std::find_if(curve.points.rbegin(), curve.points.rend(), is_station);
  json points = json::array();
  if (first == curve.points.end() || std::next(first) >= last.base()) return points;
  const double farthest = 1.0 + last->scale_percent / 100.0;
  for (auto point = first; point != last.base(); ++point) {
    points.push_back(point_of(std::isinf(point->focus_m) ? 0.0 : 1.0 / point->focus_m,
                              100.0 * ((1.0 + point->scale_percent / 100.0) / farthest - 1.0)));
  }
  return points;
}

json breathing_section(const profile::Profile& profile, const zoom::ZoomLens& lens) {
  constexpr std::string_view kTitle = "Breathing";
  const std::vector<zoom::Breathing> curves = zoom::breathing(profile, lens);
  if (curves.empty() || curves.front().points.size() < 2) return {};
  json series = json::array();
  std::string without;
  for (const zoom::Breathing& curve : curves) {
    const std::string name = fmt::format("{:g} mm", curve.focal_mm);
    json points = breathing_points(curve);
    if (points.empty()) {
      without += (without.empty() ? "" : ", ") + name;
    } else {
      series.push_back({{"name", name}, {"points", std::move(points)}});
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
          {"caption", "Of each focal length, between its own stations."},
          {"x_label", "focus"},
          {"x_dioptres", true},
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
        number_column("corner %"),
        number_column("missed by the others px"),
        number_column("missed by other focal lengths px"),
        number_column("warnings")}},
      {"rows", rows}};
}

/// What is known of the lens between its stations, px.
struct Between {
  double sigma_rms_px = 0.0;  // the largest of all states
  double sigma_max_px = 0.0;  // at the worst place of the worst state
  std::string worst_state;
  std::optional<double> station_px;       // the largest miss, rms, of a station left out
  std::optional<double> focal_length_px;  // of a station left out with its whole focal length
};

Between between_of(const profile::Profile& profile, const States& states) {
  Between between;
  for (int row = 0; row < states.dioptres.count; ++row) {
    for (int column = 0; column < states.focal.count; ++column) {
      const auto& at = states.at(column, row);
      if (!at) continue;
      between.sigma_rms_px = std::max(between.sigma_rms_px, at->sigma.rms_px);
      if (!(at->sigma.max_px > between.sigma_max_px)) continue;
      between.sigma_max_px = at->sigma.max_px;
      between.worst_state = fmt::format("{:.3g} mm", states.focal_mm(column));
      if (states.has_focus) between.worst_state += " at " + focus_text(states.focus_m(row));
    }
  }
  const auto take = [](std::optional<double>& worst, const auto& left_out) {
    if (left_out) worst = std::max(worst.value_or(0.0), left_out->rms_px);
  };
  for (const profile::Station& station : profile.stations) {
    take(between.station_px, station.without_station);
    take(between.focal_length_px, station.without_focal_length);
  }
  return between;
}

struct Level {
  std::string_view name;
  std::string headline;
  std::string_view words;
};

/// By what is known between the stations; nullopt where that is as good as the stations are.
std::optional<Level> level_between(const Between& between) {
  const double station_px = between.station_px.value_or(0.0);
  if (station_px > profile::kUsableRmsPx) {
    return Level{"doubt",
                 fmt::format("Doubtful between its stations: one left out is missed by {} rms",
                             px_text(station_px)),
                 ""};
  }
  if (between.sigma_rms_px > profile::kUsableRmsPx ||
      between.sigma_max_px > profile::kWorstPlacePx) {
    return Level{"doubt",
                 fmt::format("Doubtful between its stations: {} at the worst place, at {}",
                             px_text(between.sigma_max_px),
                             between.worst_state),
                 ""};
  }
  if (between.sigma_max_px > profile::kUncertainMapPx) {
    return Level{"care",
                 fmt::format("Guessed between its stations, to {} at the worst place ({})",
                             px_text(between.sigma_max_px),
                             between.worst_state),
                 ""};
  }
  const double worst_px = std::max(station_px, between.focal_length_px.value_or(0.0));
  if (worst_px > profile::kGoodRmsPx) {
    return Level{"care",
                 fmt::format("Guessed between its stations: what is left out is missed by {} rms",
                             px_text(worst_px)),
                 ""};
  }
  return std::nullopt;
}

json verdict_of(const profile::Profile& profile, const Between& between) {
  std::map<std::string, int> counts;  // of stations, by level
  for (const profile::Station& station : profile.stations) {
    ++counts[cli::verdict_of(station)["level"].get<std::string>()];
  }
  // The worst first.
  const Level levels[] = {{"doubt", "Some stations are doubtful", "doubtful"},
                          {"open", "Not judged", "without a word on how good they are"},
                          {"care", "Usable, some stations with care", "to be used with care"},
                          {"good", "Good", "good, without a warning"}};
  std::optional<Level> worst;
  json lines = json::array();
  for (const Level& level : levels) {
    const int count = counts[std::string(level.name)];
    if (count == 0) continue;
    if (!worst) worst = level;
    lines.push_back(
        fmt::format("{} of {} stations: {}.", count, profile.stations.size(), level.words));
  }
  if (between.sigma_max_px > 0.0) {
    lines.push_back(fmt::format(
        "Between stations a place is expected to be off by up to {} ({} rms), most at {}.",
        px_text(between.sigma_max_px),
        px_text(between.sigma_rms_px),
        between.worst_state));
  }
  if (between.station_px) {
    lines.push_back(fmt::format("Told by the others, a station is missed by {} rms at most.",
                                px_text(*between.station_px)));
  }
  if (between.focal_length_px) {
    lines.push_back(
        fmt::format("Told by other focal lengths alone, by {} rms at most: what a gap of twice the "
                    "width would cost.",
                    px_text(*between.focal_length_px)));
  }
  if (const auto level = level_between(between); level && worst->name != "doubt") worst = level;
  return {{"level", worst->name}, {"headline", worst->headline}, {"lines", lines}};
}

json figures_of(const profile::Profile& profile,
                const zoom::ZoomLens& lens,
                const Between& between) {
  Figures figures;
  const zoom::ZoomLens::Reach& reach = lens.reach();
  figures.add("stations", fmt::format("{}", profile.stations.size()), "calibrated");
  figures.add("focal length",
              reach.most_focal_mm > reach.least_focal_mm
                  ? fmt::format("{:.3g} to {:.3g} mm", reach.least_focal_mm, reach.most_focal_mm)
                  : fmt::format("{:.3g} mm", reach.least_focal_mm),
              "nominal");
  if (reach.nearest_m) {
    figures.add("focus",
                unbroken(fmt::format(
                    "{} to {}", focus_text(*reach.nearest_m), focus_text(*reach.farthest_m))),
                "");
  }
  double residuals = 0.0;
  double predicted = 0.0;
  for (const profile::Station& station : profile.stations) {
    if (!station.quality) continue;
    residuals = std::max(residuals, station.quality->rms_px);
    predicted = std::max(predicted, station.quality->map_sigma_max_px.value_or(0.0));
  }
  if (residuals > 0.0) figures.add("residuals", px_text(residuals), "rms per point, worst station");
  if (between.sigma_max_px > 0.0) {
    figures.add("predicted error",
                px_text(between.sigma_max_px),
                fmt::format("worst place of the worst state, {}; {} at the stations",
                            unbroken(between.worst_state),
                            px_text(predicted)));
  } else if (predicted > 0.0) {
    figures.add("predicted error", px_text(predicted), "worst place of the worst station");
  }
  if (between.station_px) {
    figures.add("left out",
                px_text(*between.station_px),
                between.focal_length_px
                    ? fmt::format("rms by which the others miss a station, at most; {} those of "
                                  "other focal lengths",
                                  px_text(*between.focal_length_px))
                    : std::string("rms by which the others miss a station, at most"));
  } else if (between.focal_length_px) {
    figures.add("left out",
                px_text(*between.focal_length_px),
                "rms by which other focal lengths miss a station, at most");
  }
  return figures.json();
}

/// Those of all stations, each with where it stands.
json warnings_of(const profile::Profile& profile) {
  std::vector<Warning> warnings;
  for (const profile::Station& station : profile.stations) {
    for (Warning warning : station.warnings) {
      warning.message = fmt::format("{}: {}", state_text(station), warning.message);
      warnings.push_back(std::move(warning));
    }
  }
  return warnings_part(warnings);
}

}  // namespace

Result<json> zoom_page(const profile::Profile& profile, const std::string& date) {
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(profile.stations);
  if (!lens) return fail(lens.error());
  const States states = states_of(profile, *lens);
  const Between between = between_of(profile, states);
  return page_json({.page = "zoom",
                    .title = title_of(profile),
                    .eyebrow = "Lens with several stations",
                    .date = date,
                    .plate = plate_json(profile.stations.front().lens),
                    .verdict = verdict_of(profile, between),
                    .figures = figures_of(profile, *lens, between),
                    .warnings = warnings_of(profile),
                    .sections = {surface_section(profile, states),
                                 curve_of(states),
                                 breathing_section(profile, *lens),
                                 stations_section(profile),
                                 provenance_section(
                                     profile,
                                     profile.stations.front(),
                                     fmt::format("{} stations, above", profile.stations.size()))}});
}

}  // namespace trueplate::cli
