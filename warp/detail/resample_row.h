#pragma once

#include <span>

#include "warp/detail/resample_plain.h"
#include "warp/resample.h"

namespace trueplate::warp::detail {

/// How map values become positions in the source: x = s * s_scale, y = t * t_scale + t_offset.
struct StScale {
  double s_scale = 1.0;
  double t_scale = 1.0;
  double t_offset = 0.0;
};
[[nodiscard]] StScale st_scale(ImageSize source_display, TOrigin origin);

/// Looks up one row of output pixels. `st` holds s, t for each; `out` the channels of each. Uses
/// the widest vectors the processor has; where it has none that we know, sample_plain(). Not for
/// kArea.
void resample_row(const LookupSource& source,
                  Filter filter,
                  const StScale& scale,
                  std::span<const float> st,
                  float* out);

/// The same for positions in pixels from the display window's top-left corner.
void resample_row(const LookupSource& source,
                  Filter filter,
                  std::span<const double> x_px,
                  std::span<const double> y_px,
                  float* out);

/// The Lanczos weights (three lobes, divided by their sum) as polynomials, so that a vector of them
/// costs a few multiplications instead of six sines. With f the fraction, g = f - 1/2, z = g^2,
/// u = f (1 - f) and q_n(g) = even_n(z) + g odd_n(z):
///     w0 = u q_0(g)                  w5 = u q_0(-g)
///     w1 = u q_1(g)                  w4 = u q_1(-g)
///     w2 = (1 - f) (1 + f q_2(g))    w3 = f (1 + (1 - f) q_2(-g))
/// which is exact at f = 0 and f = 1. even_n and odd_n interpolate the formula of filter_weights()
/// at Chebyshev nodes of z.
struct LanczosPolynomials {
  static constexpr int kTerms = 5;
  float even[3][kTerms];  // [n][power of z]
  float odd[3][kTerms];
};
[[nodiscard]] const LanczosPolynomials& lanczos_polynomials();

/// Weights as the kernels use them, 8 per fraction with zeros after the last; for tests.
void vector_weights(Filter filter, std::span<const float> fractions, float* weights);

}  // namespace trueplate::warp::detail
