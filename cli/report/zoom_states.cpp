#include "cli/report/zoom_states.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "calib/zoom/zoom_profile.h"

namespace trueplate::cli {
namespace {

constexpr int kColumns = 25;
constexpr int kRows = 13;

StateAxis axis_between(double least, double most, int count) {
  return {least, most, most > least * (1.0 + 1e-9) || most > least + 1e-9 ? count : 1};
}

/// To the left of the way from a to b, in cells times its length.
double left_of(const StatePlace& a, const StatePlace& b, const StatePlace& p) {
  return (b.column - a.column) * (p.row - a.row) - (b.row - a.row) * (p.column - a.column);
}

/// The convex hull of places, counterclockwise (monotone chain, Andrew 1979); of places on one line
/// its two ends.
std::vector<StatePlace> hull_of(std::vector<StatePlace> places) {
  std::sort(places.begin(), places.end(), [](const StatePlace& a, const StatePlace& b) {
    return std::pair(a.column, a.row) < std::pair(b.column, b.row);
  });
  std::vector<StatePlace> hull;
  for (int side = 0; side < 2; ++side) {
    const std::size_t first = hull.size();
    for (const StatePlace& place : places) {
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

}  // namespace

std::string focus_text(double focus_m) {
  return std::isinf(focus_m) ? std::string("infinity") : fmt::format("{:.3g} m", focus_m);
}

bool ZoomStates::surrounded(int column, int row) const {
  constexpr double kHalfCell = 0.5;
  const StatePlace p{static_cast<double>(column), static_cast<double>(row)};
  for (std::size_t i = 0; i < hull.size(); ++i) {
    const StatePlace& a = hull[i];
    const StatePlace& b = hull[(i + 1) % hull.size()];
    const double length = std::hypot(b.column - a.column, b.row - a.row);
    if (left_of(a, b, p) < -kHalfCell * length) return false;
  }
  return true;
}

ZoomStates states_of(const profile::Profile& profile, const zoom::ZoomLens& lens) {
  const zoom::ZoomLens::Reach& reach = lens.reach();
  ZoomStates states;
  states.lens = &lens;
  states.focal =
      axis_between(std::log(reach.least_focal_mm), std::log(reach.most_focal_mm), kColumns);
  states.has_focus = reach.nearest_m && reach.farthest_m;
  if (states.has_focus) {
    states.dioptres = axis_between(1.0 / *reach.farthest_m, 1.0 / *reach.nearest_m, kRows);
  }
  if (!reach.t_stops.empty()) states.t_stop = reach.t_stops.front();
  std::vector<StatePlace> places;
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

}  // namespace trueplate::cli
