#include "calib/plate/detail/edge_points.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>

namespace trueplate::plate::detail {
namespace {

constexpr double kNoiseLimit = 4.0;
constexpr double kReach = 4.0;  // of the kernels, in standard deviations
/// Of pixels looked at for range and noise; statistics need no more.
constexpr int kMostSamples = 200'000;

/// Derivatives of the picture, and where they are not disturbed by missing pixels.
struct Gradient {
  cv::Mat_<float> x;
  cv::Mat_<float> y;
  cv::Mat_<unsigned char> is_valid;

  [[nodiscard]] double magnitude(int column, int row) const {
    return std::hypot(x(row, column), y(row, column));
  }
};

/// A Gaussian and its derivative, sampled; the derivative of a ramp of slope 1 is exactly 1.
struct Kernels {
  cv::Mat_<float> smooth;
  cv::Mat_<float> derivative;
};

Kernels kernels_of(double scale_px) {
  const int reach = static_cast<int>(std::ceil(kReach * scale_px));
  Kernels kernels{cv::Mat_<float>(1, 2 * reach + 1), cv::Mat_<float>(1, 2 * reach + 1)};
  double sum = 0.0;
  double ramp = 0.0;
  for (int i = -reach; i <= reach; ++i) {
    const double weight = std::exp(-0.5 * i * i / (scale_px * scale_px));
    sum += weight;
    ramp += weight * i * i;
  }
  for (int i = -reach; i <= reach; ++i) {
    const double weight = std::exp(-0.5 * i * i / (scale_px * scale_px));
    kernels.smooth(0, i + reach) = static_cast<float>(weight / sum);
    kernels.derivative(0, i + reach) = static_cast<float>(weight * i / ramp);
  }
  return kernels;
}

Gradient gradient_of(ImageView<const float> luma, double scale_px) {
  cv::Mat_<float> picture(luma.height, luma.width);
  cv::Mat_<unsigned char> is_missing(luma.height, luma.width);
  bool any_missing = false;
  for (int y = 0; y < luma.height; ++y) {
    for (int x = 0; x < luma.width; ++x) {
      const float value = luma.row(y)[static_cast<std::ptrdiff_t>(x) * luma.channels];
      const bool is_number = std::isfinite(value) && std::abs(value) < 1e15F;
      picture(y, x) = is_number ? value : 0.0F;
      is_missing(y, x) = is_number ? 0 : 1;
      any_missing = any_missing || !is_number;
    }
  }
  const Kernels kernels = kernels_of(scale_px);
  Gradient gradient;
  const auto filter = [&](cv::Mat_<float>& to, const cv::Mat& along_x, const cv::Mat& along_y) {
    cv::sepFilter2D(
        picture, to, CV_32F, along_x, along_y, cv::Point(-1, -1), 0.0, cv::BORDER_REPLICATE);
  };
  filter(gradient.x, kernels.derivative, kernels.smooth);
  filter(gradient.y, kernels.smooth, kernels.derivative);
  if (any_missing) {
    const int side = kernels.smooth.cols;
    cv::dilate(is_missing, is_missing, cv::Mat::ones(side, side, CV_8U));
  }
  gradient.is_valid = is_missing == 0;
  return gradient;
}

double quantile(std::vector<float>& values, double share) {
  if (values.empty()) return 0.0;
  const auto place =
      values.begin() + static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), place, values.end());
  return *place;
}

/// The gradient an edge has to have.
double least_gradient(ImageView<const float> luma,
                      const Gradient& gradient,
                      const EdgeOptions& options) {
  const int step = std::max(
      1, static_cast<int>(std::sqrt(static_cast<double>(luma.width) * luma.height / kMostSamples)));
  std::vector<float> values;
  std::vector<float> magnitudes;
  for (int y = 0; y < luma.height; y += step) {
    for (int x = 0; x < luma.width; x += step) {
      if (gradient.is_valid(y, x) == 0) continue;
      values.push_back(luma.row(y)[static_cast<std::ptrdiff_t>(x) * luma.channels]);
      magnitudes.push_back(static_cast<float>(gradient.magnitude(x, y)));
    }
  }
  const double range = quantile(values, 0.99) - quantile(values, 0.01);
  // A quarter of a picture is flat enough to show its noise, whose magnitudes follow Rayleigh.
  const double noise = quantile(magnitudes, 0.25) / std::sqrt(2.0 * std::log(4.0 / 3.0));
  // A step of height 1 through a Gaussian; that of the picture is taken to be half as wide.
  const double blur = std::hypot(options.scale_px, 0.5 * options.scale_px);
  const double of_step = 1.0 / (blur * std::sqrt(2.0 * std::numbers::pi));
  return std::max({kNoiseLimit * noise, options.least_contrast * range * of_step, 1e-30});
}

/// Catmull-Rom weights at share t between the second and third of four samples: unlike linear ones
/// they do not blur the maximum.
std::array<double, 4> cubic_weights(double t) {
  return {0.5 * t * (-1.0 + t * (2.0 - t)),
          0.5 * (2.0 + t * t * (-5.0 + 3.0 * t)),
          0.5 * t * (1.0 + t * (4.0 - 3.0 * t)),
          0.5 * t * t * (t - 1.0)};
}

/// The derivative along `way` at a place in whole-number pixel centres, 2 px or more inside.
double along(const Gradient& gradient, const Point2d& p, const Point2d& way) {
  const double fx = std::floor(p.x());
  const double fy = std::floor(p.y());
  const auto wx = cubic_weights(p.x() - fx);
  const auto wy = cubic_weights(p.y() - fy);
  double sum_x = 0.0;
  double sum_y = 0.0;
  for (int j = 0; j < 4; ++j) {
    const int row = static_cast<int>(fy) + j - 1;
    const float* gx = gradient.x[row] + static_cast<int>(fx) - 1;
    const float* gy = gradient.y[row] + static_cast<int>(fx) - 1;
    for (std::size_t i = 0; i < 4; ++i) {
      const double weight = wx[i] * wy[static_cast<std::size_t>(j)];
      sum_x += weight * gx[i];
      sum_y += weight * gy[i];
    }
  }
  return sum_x * way.x() + sum_y * way.y();
}

/// The edge point at a pixel, when the gradient there is a maximum along its direction.
std::optional<EdgePoint> point_at(const Gradient& gradient, int x, int y) {
  const Point2d g(gradient.x(y, x), gradient.y(y, x));
  const Point2d way = g.normalized();
  const Point2d here(x, y);
  const double middle = g.norm();
  const double before = along(gradient, here - way, way);
  const double after = along(gradient, here + way, way);
  if (!(middle >= before && middle > after && before > 0.0 && after > 0.0)) return std::nullopt;
  const double a = std::log(before / middle);
  const double b = std::log(after / middle);
  if (!(a + b < -1e-6)) return std::nullopt;
  const double shift = 0.5 * (b - a) / -(a + b);
  if (std::abs(shift) > 1.0) return std::nullopt;
  return EdgePoint{.p_px = here + shift * way + Point2d(0.5, 0.5), .gradient = g, .x = x, .y = y};
}

}  // namespace

EdgePoints edge_points(ImageView<const float> luma, const EdgeOptions& options) {
  const Gradient gradient = gradient_of(luma, options.scale_px);
  const double least = least_gradient(luma, gradient, options);
  // Nearer to the border the gradient is that of replicated pixels.
  const int border = static_cast<int>(std::ceil(kReach * options.scale_px));
  EdgePoints edges{.points = {}, .index = Image<std::int32_t>(luma.width, luma.height, 1)};
  edges.index.fill(-1);
  for (int y = border; y < luma.height - border; ++y) {
    for (int x = border; x < luma.width - border; ++x) {
      if (gradient.is_valid(y, x) == 0 || gradient.magnitude(x, y) < least) continue;
      const std::optional<EdgePoint> point = point_at(gradient, x, y);
      if (!point) continue;
      edges.index.at(x, y) = static_cast<std::int32_t>(edges.points.size());
      edges.points.push_back(*point);
    }
  }
  return edges;
}

}  // namespace trueplate::plate::detail
