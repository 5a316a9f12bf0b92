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
/// source's display window, and each of its pixels looks up where `map` takes it from. Between its
/// pixels the map is the cubic of MapField, beyond the outermost centres it goes on for half a
/// pixel, and the equations are solved in double: of a lens map the error is the rounding of `map`
/// and of the inverse, see kInverseTolerance_px; what looks beyond `map` by more than that half
/// pixel has no source. Where the map folds, the first of its pixels in
/// reading order that looks there counts; where neighbours lie apart by more than kMaxTear times
/// what the sizes of the pictures let expect, there is no surface between them; beside tears and
/// holes the map is bilinear. NaN where nothing looks. The t origin stays. Errors: an invalid map,
/// a negative overscan, a side above kMaxImageSide. threads   0 = all cores; any number gives the
/// same bits
Result<StMap> inverse_map(const StMap& map, const EdgePixels& overscan_px = {}, int threads = 0);
inline constexpr double kMaxTear = 16.0;
/// Largest distance of the inverse of a lens's map from the lens's own other map, in pixels a
/// thousand pixels of picture side: three steps of float at s or t from 1 to 2.
inline constexpr double kInverseTolerance_px = 4e-4;

/// How far two maps of one picture lie apart, in pixels of the first one's source.
struct MapDifference {
  double rms_px = 0.0;
  double mean_px = 0.0;
  double largest_px = 0.0;
  Point2d largest_at_px = {0.0, 0.0};  // of the output, from the corner of its display window
  std::size_t num_compared = 0;
  std::size_t num_only_one = 0;  // pixels for which only one of the maps has a source
  /// Cosine between the displacements of both maps, as one vector each: 1 where they move the
  /// picture alike, near -1 where one undoes the other. 0 where one of them moves nothing, that is
  /// by less than kLeastMove_px rms.
  double cosine = 0.0;
};
inline constexpr double kLeastMove_px = 0.01;
/// Below it two maps are taken to go in opposite directions.
inline constexpr double kOppositeCosine = -0.5;

/// Compares the pixels that both have, wherever t counts from. Errors: invalid maps; display
/// windows of different sizes, of the outputs or of the sources; no pixel that both have.
Result<MapDifference> difference_of(const StMap& a, const StMap& b);

}  // namespace trueplate::warp
