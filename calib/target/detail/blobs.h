#pragma once

#include <Eigen/Core>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::target::detail {

/// Marks are what stands out from its surroundings: dots, or lines.
enum class Tone { kDark, kLight };

/// Which connected regions to return: the marks themselves (dots), or what marks enclose (the
/// fields between crossing lines).
enum class Regions { kMarks, kFields };

/// A connected region of the shape of a disc, an ellipse or a parallelogram.
struct Blob {
  Point2d p_px = {0.0, 0.0};                                  // centre of gravity
  Eigen::Matrix2d scatter_px2 = Eigen::Matrix2d::Identity();  // second moments about it / area
  double area_px2 = 0.0;
};

/// Regions of a toned() image (corner_candidates.h), by a threshold between the darkest and
/// the lightest pixel nearby (kBlobReachPx), so that light may be uneven. Regions that touch
/// the border, are tiny or of another shape are left out. At most `most`, row by row.
inline constexpr int kBlobReachPx = 24;
std::vector<Blob> find_blobs(ImageView<const float> toned_image,
                             Tone tone,
                             Regions regions,
                             int most);

}  // namespace trueplate::target::detail
