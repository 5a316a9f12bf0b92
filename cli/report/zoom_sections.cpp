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
  const auto corner = lens::frame_distortion(lens).corner;
  return corner ? corner->percent() : kNotKnown;
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
      {"distortion in the corner",
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

json quantity_json(const ZoomStates& states, const Quantity& quantity) {
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
  const bool is_same = !(most - least >= quantity.matters);
  const std::vector<double> levels = is_same ? std::vector<double>{} : even_steps(least, most);
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
          {"steps", quantity.by_size ? kDistortionSteps : levels},
          {"levels", levels},
          {"by_size", quantity.by_size},
          {"same", same}};
}

json axis_json(const StateAxis& axis,
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

json point_of(double x, double value) { return {rounded(x, 1e-4), rounded(value, 1e-5)}; }

json distortion_curves(const ZoomStates& states, json series) {
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

json distortion_section(const ZoomStates& states) {
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
      // Over less than a quarter of the focal lengths it tells nothing of how the lens changes.
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

}  // namespace trueplate::cli
