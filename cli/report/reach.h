#pragma once

#include <functional>
#include <nlohmann/json.hpp>
#include <span>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/fit/fit.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "calib/target/view.h"

namespace trueplate::cli {

/// Where the points of a fit end on the plate: beyond, the lens is extrapolated.
struct Reach {
  enum class Known {
    kNot,      // without observations, and nothing warned of it
    kWarning,  // the profile's warning has the radius about the frame's middle
    kPoints,   // the hull of the points that were fitted
  };
  Known known = Known::kNot;
  std::vector<Point2d> outline_px;  // convex, counterclockwise where y goes up

  /// Everywhere, where nothing is known.
  [[nodiscard]] bool holds(const Point2d& p_px) const;
};

/// Of the points that the fit used, of all where there is no fit; without points as the station's
/// warnings say.
[[nodiscard]] Reach reach_of(const profile::Station& station,
                             std::span<const target::View> views,
                             const fit::LensFit* fit);

/// What the reader is told of the mark, in a sentence. `dashes`: how what lies beyond is drawn.
[[nodiscard]] std::string reach_words(const Reach& reach, std::string_view dashes);

/// The places of `steps` even steps from 0 to 1, and between them those where `holds` changes.
[[nodiscard]] std::vector<double> steps_with_changes(int steps,
                                                     const std::function<bool(double)>& holds);

/// [[first, last]]: which pieces of a line on the plate lie beyond, as indices of their ends.
[[nodiscard]] nlohmann::json beyond_json(const Reach& reach, std::span<const Point2d> line_px);

/// {straight, bent} of the outline, as a line of the grid has them; null where nothing is known.
[[nodiscard]] nlohmann::json outline_json(const Reach& reach, const lens::Lens& lens);

}  // namespace trueplate::cli
