#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "warp/resample.h"

namespace trueplate::warp::detail {

/// Widest kernel side of all filters.
inline constexpr int kMaxKernelWidth = 6;

/// Weights of the kernel_width(filter) pixels around a position, by the formula and in double.
/// `fraction` in [0, 1) is the distance of the position from the pixel centre left of it (above
/// it); that pixel has index kernel_width / 2 - 1.
void filter_weights(Filter filter, double fraction, double* weights);

/// A source picture and how positions count in it.
struct LookupSource {
  ImageView<const float> pixels;
  /// Added to a position in pixels from the display window's top-left corner it gives the distance
  /// from the centre of the first stored pixel.
  double offset_x = 0.0;
  double offset_y = 0.0;
  Edge edge = Edge::kBlack;
};
/// A picture without pixels has black edges, whatever is asked for.
[[nodiscard]] LookupSource lookup_source(const SourcePicture& source, Edge edge = Edge::kBlack);

/// The pixel that is taken for number `i` of `size`; -1: black.
[[nodiscard]] int stored_index(Edge edge, int i, int size);

/// A distance from the first of `size` pixel centres as `edge` continues the picture: for kHold
/// moved to where all pixels under a kernel of `taps` are the last one, for kMirror folded back
/// into the picture. NaN stays NaN.
[[nodiscard]] double continued(Edge edge, double u, int taps, int size);

/// Refuses sizes or channels that do not match: `output` is to have the size `wanted`, or with
/// `first_row` to lie within it from that row on, and the channels of `source`.
Result<void> check_pictures(const SourcePicture& source,
                            ImageSize wanted,
                            std::optional<int> first_row,
                            ImageView<float> output);

/// The reference for the vector kernels: every channel of `source` at `p_px`, a position counted
/// from the top-left corner of the source's display window; formula in double, rounded once.
void sample_plain(const LookupSource& source, const Point2d& p_px, Filter filter, float* out);

}  // namespace trueplate::warp::detail
