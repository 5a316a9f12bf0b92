#include "cli/report/zoom_states.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "calib/zoom/zoom_profile.h"
#include "cli/report/convex_hull.h"

namespace trueplate::cli {
namespace {

constexpr int kColumns = 37;
constexpr int kRows = 19;

StateAxis axis_between(double least, double most, int count) {
  return {least, most, most > least * (1.0 + 1e-9) || most > least + 1e-9 ? count : 1};
}

}  // namespace

std::string focus_text(double focus_m) {
  return std::isinf(focus_m) ? std::string("infinity") : fmt::format("{:.3g} m", focus_m);
}

bool ZoomStates::surrounded(double column, double row, double margin) const {
  return in_hull(hull, Point2d(column, row), margin);
}

std::optional<zoom::LensAtState> ZoomStates::lens_at(double focal_ln_mm,
                                                     double dioptres_per_m) const {
  constexpr double kRounding = 1e-6;
  if (!surrounded(focal.place_of(focal_ln_mm), dioptres.place_of(dioptres_per_m), kRounding)) {
    return std::nullopt;
  }
  Result<zoom::LensAtState> at = lens->at(state_at(focal_ln_mm, dioptres_per_m));
  return at ? std::optional(std::move(*at)) : std::nullopt;
}

zoom::ZoomState ZoomStates::state_at(double focal_ln_mm, double dioptres_per_m) const {
  const zoom::ZoomLens::Reach& reach = lens->reach();
  zoom::ZoomState state{.t_stop = t_stop};
  // The ends as they are stated, lest rounding put them beyond the stations.
  state.focal_mm = std::clamp(std::exp(focal_ln_mm), reach.least_focal_mm, reach.most_focal_mm);
  if (has_focus) {
    const double focus_m =
        dioptres_per_m <= 0.0 ? std::numeric_limits<double>::infinity() : 1.0 / dioptres_per_m;
    state.focus_m = std::clamp(focus_m, *reach.nearest_m, *reach.farthest_m);
  }
  return state;
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
  std::vector<Point2d> places;
  for (const profile::Station& station : profile.stations) {
    const auto focal = zoom::station_focal_mm(station);
    if (!focal) continue;
    places.emplace_back(states.focal.place_of(std::log(*focal)),
                        station.focus_m ? states.dioptres.place_of(1.0 / *station.focus_m) : 0.0);
  }
  states.hull = convex_hull(std::move(places));
  for (int row = 0; row < states.dioptres.count; ++row) {
    for (int column = 0; column < states.focal.count; ++column) {
      // Bands between places end at the outline, so the corners of squares that it cuts are needed.
      constexpr double kSquare = 1.5;
      std::optional<zoom::LensAtState> at;
      if (states.surrounded(column, row, kSquare)) {
        Result<zoom::LensAtState> found =
            lens.at(states.state_at(states.focal.at(column), states.dioptres.at(row)));
        if (found) at = std::move(*found);
      }
      states.found.push_back(states.surrounded(column, row) ? at : std::nullopt);
      states.beside.push_back(std::move(at));
    }
  }
  return states;
}

}  // namespace trueplate::cli
