#include "warp/detail/resample_plain.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace trueplate::warp::detail {
namespace {

double sinc(double x) {
  // sin(pi x) of a double is not quite zero at whole x.
  if (x == std::round(x)) return x == 0.0 ? 1.0 : 0.0;
  const double px = std::numbers::pi * x;
  return std::sin(px) / px;
}

}  // namespace

void filter_weights(Filter filter, double fraction, double* weights) {
  const double f = fraction;
  switch (filter) {
    case Filter::kBilinear:
      weights[0] = 1.0 - f;
      weights[1] = f;
      return;
    case Filter::kCubic:
      // R. Keys, Cubic convolution interpolation for digital image processing, IEEE ASSP 29(6),
      // 1981, with a = -1/2, collected in powers of f.
      weights[0] = 0.5 * f * (-1.0 + f * (2.0 - f));
      weights[1] = 1.0 + 0.5 * f * f * (-5.0 + 3.0 * f);
      weights[2] = 0.5 * f * (1.0 + f * (4.0 - 3.0 * f));
      weights[3] = 0.5 * f * f * (-1.0 + f);
      return;
    case Filter::kLanczos: {
      double sum = 0.0;
      for (int i = 0; i < 6; ++i) {
        const double x = f - (i - 2);
        weights[i] = std::abs(x) < 3.0 ? sinc(x) * sinc(x / 3.0) : 0.0;
        sum += weights[i];
      }
      for (int i = 0; i < 6; ++i) weights[i] /= sum;
      return;
    }
  }
}

LookupSource lookup_source(const SourcePicture& source) {
  const Window& display = source.windows.display;
  const Window& data = source.windows.data;
  return {.pixels = source.pixels,
          .offset_x = static_cast<double>(display.x) - data.x - 0.5,
          .offset_y = static_cast<double>(display.y) - data.y - 0.5};
}

void sample_plain(const LookupSource& source, const Point2d& p_px, Filter filter, float* out) {
  const ImageView<const float>& pixels = source.pixels;
  const int taps = kernel_width(filter);
  // Position among the stored pixels' centres.
  const double u = p_px.x() + source.offset_x;
  const double v = p_px.y() + source.offset_y;
  // Written so that a NaN fails.
  if (!(u > -taps && u < pixels.width + taps && v > -taps && v < pixels.height + taps)) {
    std::fill_n(out, pixels.channels, 0.0F);
    return;
  }
  double wx[kMaxKernelWidth];
  double wy[kMaxKernelWidth];
  filter_weights(filter, u - std::floor(u), wx);
  filter_weights(filter, v - std::floor(v), wy);
  const int x0 = static_cast<int>(std::floor(u)) - (taps / 2 - 1);
  const int y0 = static_cast<int>(std::floor(v)) - (taps / 2 - 1);
  for (int c = 0; c < pixels.channels; ++c) {
    double sum = 0.0;
    for (int j = 0; j < taps; ++j) {
      const int y = y0 + j;
      if (y < 0 || y >= pixels.height) continue;
      for (int i = 0; i < taps; ++i) {
        const int x = x0 + i;
        if (x < 0 || x >= pixels.width) continue;
        sum += wx[i] * wy[j] * pixels.at(x, y, c);
      }
    }
    out[c] = static_cast<float>(sum);
  }
}

}  // namespace trueplate::warp::detail
