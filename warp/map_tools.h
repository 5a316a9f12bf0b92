#pragma once

#include <cstddef>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "warp/st_map.h"

// ST-maps as such, wherever they come from: turned round, and compared.
namespace trueplate::warp {

/// Edges beyond the display window of `map`'s source that its values reach: those of finite values.
/// What the data window of an inverse needs to hold everything the map looks at. Errors: no finite
/// value; more than kMaxReach source widths or heights beyond an edge, which no lens does.
Result<EdgePixels> source_reach(const StMap& map);
inline constexpr int kMaxReach = 2;

/// The map that undoes `map`: its output is the source of `map`, with `overscan_px` around the
/// source's display window, and each of its pixels looks up where `map` takes it from. Between the
/// pixels of `map` positions are interpolated bilinearly, beyond the outermost centres they go on
/// for half a pixel, and the equations are solved in double: of a lens map the error is that of its
/// second derivative times 1/8 px^2, below 1e-4 px, and the rounding of `map` itself. Where the map
/// folds, the first of its pixels in reading order that looks there counts; where neighbours lie
/// apart by more than kMaxTear times what the sizes of the pictures let expect, there is no surface
/// between them. NaN where nothing looks. The t origin stays. Errors: an invalid map, a negative
/// overscan, a side above kMaxImageSide.
Result<StMap> inverse_map(const StMap& map, const EdgePixels& overscan_px = {});
inline constexpr double kMaxTear = 16.0;

/// How far two maps of one picture lie apart, in pixels of the first one's source.
struct MapDifference {
  double rms_px = 0.0;
  double mean_px = 0.0;
  double largest_px = 0.0;
  Point2d largest_at_px = {0.0, 0.0};  // of the output, from the corner of its display window
  std::size_t num_compared = 0;
  std::size_t num_only_one = 0;  // pixels for which only one of the maps has a source
};

/// Compares the pixels that both have, wherever t counts from. Errors: invalid maps; display
/// windows of different sizes, of the outputs or of the sources; no pixel that both have.
Result<MapDifference> difference_of(const StMap& a, const StMap& b);

}  // namespace trueplate::warp
