#pragma once

#include "warp/detail/map_slopes.h"
#include "warp/detail/resample_plain.h"

namespace trueplate::warp::detail {

/// How many times wider than a source pixel the area filter is along x and along y: the lengths of
/// the gradients of x and of y, 1 .. kMaxShrink; below kWidens they count as 1, which the rounding
/// of a map to float would hide. They are the half sides of the rectangle around the ellipse onto
/// which the map takes a circle of radius 1 (P. Heckbert, Fundamentals of Texture Mapping and Image
/// Warping, 1989, section 3.3, has the ellipse).
struct Widths {
  double x = 1.0;
  double y = 1.0;

  [[nodiscard]] bool is_cubic() const { return x == 1.0 && y == 1.0; }
};
inline constexpr double kWidens = 1.001;
[[nodiscard]] Widths widths_of(const Slopes& slopes);

/// The pixels under a kernel along one axis: numbers as stored, -1 for black, and their weights.
class AreaTaps {
 public:
  static constexpr int kMost = 4 * static_cast<int>(kMaxShrink) + 2;

  /// For a distance `u` from the first of `size` pixel centres. The weights have the sum 1.
  AreaTaps(double u, double width, Edge edge, int size);

  [[nodiscard]] int count() const { return count_; }
  [[nodiscard]] int index(int i) const { return indices_[i]; }
  [[nodiscard]] float weight(int i) const { return weights_[i]; }

 private:
  int count_ = 0;
  int indices_[kMost];
  float weights_[kMost];
};

/// Looks up row `j` of the map's output with Filter::kArea.
void area_row(const LookupSource& source, const ScaledMap& map, int j, float* out);

}  // namespace trueplate::warp::detail
