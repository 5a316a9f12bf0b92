#include "warp/detail/resample_plain.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
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
    case Filter::kArea:
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

int stored_index(Edge edge, int i, int size) {
  if (i >= 0 && i < size) return i;
  switch (edge) {
    case Edge::kBlack:
      return -1;
    case Edge::kHold:
      return i < 0 ? 0 : size - 1;
    case Edge::kMirror: {
      const int period = 2 * size;
      const int place = ((i % period) + period) % period;
      return place < size ? place : period - 1 - place;
    }
  }
  return -1;
}

double continued(Edge edge, double u, int taps, int size) {
  switch (edge) {
    case Edge::kBlack:
      return u;
    case Edge::kHold:
      // std::min and std::max would lose a NaN.
      if (u < -0.5 * taps) return -0.5 * taps;
      if (u > size - 2 + 0.5 * taps) return size - 2 + 0.5 * taps;
      return u;
    case Edge::kMirror: {
      const double period = 2.0 * size;
      const double place = u + 0.5 - period * std::floor((u + 0.5) * (1.0 / period));
      return (place > size ? period - place : place) - 0.5;
    }
  }
  return u;
}

LookupSource lookup_source(const SourcePicture& source, Edge edge) {
  const Window& display = source.windows.display;
  const Window& data = source.windows.data;
  return {.pixels = source.pixels,
          .offset_x = static_cast<double>(display.x) - data.x - 0.5,
          .offset_y = static_cast<double>(display.y) - data.y - 0.5,
          .edge = data.empty() ? Edge::kBlack : edge};
}

Result<void> check_pictures(const SourcePicture& source,
                            ImageSize wanted,
                            std::optional<int> first_row,
                            ImageView<float> output) {
  const ImageView<const float>& pixels = source.pixels;
  if (source.windows.display.empty()) {
    return fail(ErrorCode::kInvalidInput, "source picture: the display window is empty");
  }
  const Window& data = source.windows.data;
  if (pixels.width != data.width || pixels.height != data.height) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("source picture: found {}x{} pixels, wanted {}x{} as its data window "
                            "says",
                            pixels.width,
                            pixels.height,
                            data.width,
                            data.height));
  }
  if (first_row) {
    const bool lies_within = *first_row >= 0 && output.height <= wanted.height - *first_row;
    if (!lies_within) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("output picture: rows {} to {}, wanted some of 0 to {}",
                              *first_row,
                              std::int64_t{*first_row} + output.height - 1,
                              wanted.height - 1));
    }
    wanted.height = output.height;
  }
  if (output.size() != wanted || output.channels != pixels.channels) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("output picture: found {}x{} pixels of {} channels, wanted {}x{} of {}",
                            output.width,
                            output.height,
                            output.channels,
                            wanted.width,
                            wanted.height,
                            pixels.channels));
  }
  return {};
}

void sample_plain(const LookupSource& source, const Point2d& p_px, Filter filter, float* out) {
  const ImageView<const float>& pixels = source.pixels;
  const int taps = kernel_width(filter);
  // Position among the stored pixels' centres.
  const double u = continued(source.edge, p_px.x() + source.offset_x, taps, pixels.width);
  const double v = continued(source.edge, p_px.y() + source.offset_y, taps, pixels.height);
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
      const int y = stored_index(source.edge, y0 + j, pixels.height);
      if (y < 0) continue;
      for (int i = 0; i < taps; ++i) {
        const int x = stored_index(source.edge, x0 + i, pixels.width);
        if (x < 0) continue;
        sum += wx[i] * wy[j] * pixels.at(x, y, c);
      }
    }
    out[c] = static_cast<float>(sum);
  }
}

}  // namespace trueplate::warp::detail
