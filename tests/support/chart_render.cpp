#include "tests/support/chart_render.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>

namespace trueplate::tests {
namespace {

Eigen::Matrix3d plate_from_chart(const ChartScene& scene) {
  const ChartPose& pose = scene.pose;
  const auto rad = [](double deg) { return deg * std::numbers::pi / 180.0; };
  const double cr = std::cos(rad(pose.roll_deg)), sr = std::sin(rad(pose.roll_deg));
  const double cx = std::cos(rad(pose.tilt_x_deg)), sx = std::sin(rad(pose.tilt_x_deg));
  const double cy = std::cos(rad(pose.tilt_y_deg)), sy = std::sin(rad(pose.tilt_y_deg));
  Eigen::Matrix3d roll, about_x, about_y;
  roll << cr, -sr, 0, sr, cr, 0, 0, 0, 1;
  about_x << 1, 0, 0, 0, cx, -sx, 0, sx, cx;
  about_y << cy, 0, sy, 0, 1, 0, -sy, 0, cy;
  const Eigen::Matrix3d rotation = about_y * about_x * roll;
  const double distance = pose.focal_px / pose.square_px;
  const Point2d center(0.5 * scene.width, 0.5 * scene.height);
  const Eigen::Vector3d sight((pose.middle_px.x() - center.x()) / pose.focal_px,
                              (pose.middle_px.y() - center.y()) / pose.focal_px,
                              1.0);
  Eigen::Matrix3d camera_from_chart;
  const Eigen::Vector3d middle(0.5 * (scene.columns - 1), 0.5 * (scene.rows - 1), 0.0);
  camera_from_chart.col(0) = rotation.col(0);
  camera_from_chart.col(1) = rotation.col(1);
  camera_from_chart.col(2) = distance * sight - rotation * middle;
  return camera_from_chart;  // to z = 1 after the division
}

double radial(double r, const ChartScene& scene) {
  return r * (1.0 + r * r * (scene.k1 + r * r * scene.k2));
}

// The r with radial(r) = wanted, on the first branch.
double inverse_radial(double wanted, const ChartScene& scene) {
  double r = wanted;
  for (int i = 0; i < 20; ++i) {
    const double r2 = r * r;
    const double slope = 1.0 + r2 * (3.0 * scene.k1 + 5.0 * r2 * scene.k2);
    const double step = (radial(r, scene) - wanted) / slope;
    r -= step;
    if (std::abs(step) < 1e-14) break;
  }
  return r;
}

// Normal distribution and the pixel's square, convolved: the exact weight of a thin sample at x.
std::vector<double> kernel_of(double blur_px, int samples, int& first) {
  const int reach = static_cast<int>(std::ceil((5.0 * blur_px + 0.5) * samples));
  first = -reach;
  std::vector<double> kernel;
  double sum = 0.0;
  for (int i = -reach; i < reach + samples; ++i) {
    // Centre of the sample, from the centre of the pixel.
    const double x = (i + 0.5) / samples - 0.5;
    const double s = blur_px * std::numbers::sqrt2;
    kernel.push_back(std::erf((x + 0.5) / s) - std::erf((x - 0.5) / s));
    sum += kernel.back();
  }
  for (double& k : kernel) k /= sum;
  return kernel;
}

}  // namespace

RenderedChart render_chart(const ChartScene& scene) {
  const Eigen::Matrix3d camera_from_chart = plate_from_chart(scene);
  const Eigen::Matrix3d chart_from_camera = camera_from_chart.inverse();
  const Point2d center(0.5 * scene.width, 0.5 * scene.height);
  const double focal = scene.pose.focal_px;
  const int n = scene.samples;

  // Chart brightness at a point of the plate. An edge is a ramp as wide as a sample.
  const auto shade = [&](double px, double py) {
    double x = (px - center.x()) / focal;
    double y = (py - center.y()) / focal;
    double stretch = 1.0;
    if (scene.k1 != 0.0 || scene.k2 != 0.0) {
      const double r = std::sqrt(x * x + y * y);
      if (r > 0.0) stretch = inverse_radial(r, scene) / r;
    }
    x *= stretch;
    y *= stretch;
    const Eigen::Vector3d q = chart_from_camera * Eigen::Vector3d(x, y, 1.0);
    if (q.z() <= 0.0) return scene.surround;
    const double u = q.x() / q.z();
    const double v = q.y() / q.z();
    // Gradients of u and v on the plate, in chart units per sample (the lens's own change of scale
    // is left out: it only makes a ramp a little wider or narrower).
    const auto gradient = [&](int row, double value) {
      const double gx = (chart_from_camera(row, 0) - value * chart_from_camera(2, 0)) / q.z();
      const double gy = (chart_from_camera(row, 1) - value * chart_from_camera(2, 1)) / q.z();
      return std::sqrt(gx * gx + gy * gy) / (focal * n);
    };
    const double width_u = gradient(0, u);
    const double width_v = gradient(1, v);
    const auto inside = [](double value, double low, double high, double width) {
      return std::clamp((value - low) / width + 0.5, 0.0, 1.0) *
             std::clamp((high - value) / width + 0.5, 0.0, 1.0);
    };
    // +1 between lines 0 and 1, -1 between 1 and 2, and so on.
    const auto wave = [](double value, double width) {
      const double nearest = std::round(value);
      const double ramp = std::clamp(2.0 * (value - nearest) / width, -1.0, 1.0);
      return std::fmod(std::abs(nearest), 2.0) < 0.5 ? ramp : -ramp;
    };
    const double board =
        inside(u, -1.0, scene.columns, width_u) * inside(v, -1.0, scene.rows, width_v);
    const double margin =
        inside(u, -2.0, scene.columns + 1.0, width_u) * inside(v, -2.0, scene.rows + 1.0, width_v);
    // The square between lines -1 and 0 both ways is dark: wave is -1 in both.
    const double colour = 0.5 * (1.0 - wave(u, width_u) * wave(v, width_v));
    const double chart = scene.dark + (scene.light - scene.dark) * colour;
    const double paper = board * chart + (1.0 - board) * scene.light;
    return margin * paper + (1.0 - margin) * scene.surround;
  };

  int first = 0;
  const std::vector<double> kernel = kernel_of(scene.blur_px, n, first);
  const int taps = static_cast<int>(kernel.size());
  const int border = -first;
  const int wide = scene.width * n + 2 * border + n;
  const int tall = scene.height * n + 2 * border + n;
  // Rows of samples, blurred and decimated along x at once; then the same along y.
  std::vector<float> across(static_cast<std::size_t>(tall) * static_cast<std::size_t>(scene.width));
  std::vector<float> line(static_cast<std::size_t>(wide));
  for (int j = 0; j < tall; ++j) {
    for (int i = 0; i < wide; ++i)
      line[static_cast<std::size_t>(i)] =
          static_cast<float>(shade((i - border + 0.5) / n, (j - border + 0.5) / n));
    for (int x = 0; x < scene.width; ++x) {
      double sum = 0.0;
      const float* in = line.data() + static_cast<std::ptrdiff_t>(x) * n;
      for (int t = 0; t < taps; ++t) sum += kernel[static_cast<std::size_t>(t)] * in[t];
      across[static_cast<std::size_t>(j) * static_cast<std::size_t>(scene.width) +
             static_cast<std::size_t>(x)] = static_cast<float>(sum);
    }
  }

  RenderedChart result{Image<float>(scene.width, scene.height, 1), {}};
  std::mt19937 random(scene.seed);
  std::normal_distribution<double> gauss;
  const double far2 = center.squaredNorm();
  for (int y = 0; y < scene.height; ++y) {
    float* out = result.image.row(y);
    for (int x = 0; x < scene.width; ++x) {
      double sum = 0.0;
      for (int t = 0; t < taps; ++t)
        sum += kernel[static_cast<std::size_t>(t)] *
               across[(static_cast<std::size_t>(y) * static_cast<std::size_t>(n) +
                       static_cast<std::size_t>(t)) *
                          static_cast<std::size_t>(scene.width) +
                      static_cast<std::size_t>(x)];
      const double r2 = (Point2d(x + 0.5, y + 0.5) - center).squaredNorm();
      sum *= 1.0 - scene.vignetting * r2 / far2;
      if (scene.noise > 0.0) sum += scene.noise * gauss(random);
      if (scene.bits > 0) {
        const double top = std::ldexp(1.0, scene.bits) - 1.0;
        sum = std::round(std::clamp(sum, 0.0, 1.0) * top) / top;
      }
      out[x] = static_cast<float>(sum);
    }
  }

  for (int row = 0; row < scene.rows; ++row) {
    for (int column = 0; column < scene.columns; ++column) {
      const Eigen::Vector3d q = camera_from_chart * Eigen::Vector3d(column, row, 1.0);
      const Point2d ideal(q.x() / q.z(), q.y() / q.z());
      const double r = ideal.norm();
      const double stretch = r > 0.0 ? radial(r, scene) / r : 1.0;
      result.corners_px.push_back(center + focal * stretch * ideal);
    }
  }
  return result;
}

}  // namespace trueplate::tests
