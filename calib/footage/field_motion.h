#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::footage {

/// How far the picture moves sideways between its two fields, the even and the odd rows, in pixels.
struct FieldMotion {
  double typical_px = 0.0;  // median size of the motion over the parts that show it
  int num_parts = 0;        // of the picture, that have upright edges to tell by
};

/// From here on a frame counts as interlaced: rows of one field are moved against the other by
/// more than what a sensor's colour pattern or an encoder does to upright edges.
inline constexpr double kInterlacedPx = 0.3;

/// Measures the motion between the fields. nullopt when too few edges are upright enough: then the
/// picture cannot tell.
///
/// A row differs from the mean of the rows above and below by the vertical detail of the picture;
/// when the fields are from two moments also by plus or minus their motion times the slope along
/// the row, with the sign of the row's parity. Vertical detail does not follow that law: fine
/// horizontal lines or texture do not change sign from an edge that rises to one that falls. Least
/// squares over blocks, at pixels whose slope runs along the row, for rising and falling edges
/// apart; the smaller of the two counts, and 0 where they contradict. The law is the first order
/// only, so a motion beyond the width of an edge is underrated. Motion straight up or down is not
/// seen, and a still frame has none: it is harmless however it was recorded.
///
/// luma     one channel, any range; NaN means "no pixel"
/// within   the part to judge, inside the image
/// Pure; safe from any thread.
std::optional<FieldMotion> field_motion(ImageView<const float> luma, const Window& within);

}  // namespace trueplate::footage
