#include "tests/support/chart_render.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/aruco.hpp>
#include <optional>
#include <random>

namespace trueplate::tests {
namespace {

/// Chart place of a corner, line crossing or dot.
Point2d place_on_chart(const ChartScene& scene, int column, int row) {
  if (scene.pattern != Pattern::kDotsStaggered) return {column, row};
  return {0.5 * (2 * column + row % 2), 0.5 * row};
}

/// The far end of the grid; the near one is (0, 0).
Point2d end_on_chart(const ChartScene& scene) {
  if (scene.pattern != Pattern::kDotsStaggered) return {scene.columns - 1, scene.rows - 1};
  return {scene.columns - (scene.rows > 1 ? 0.5 : 1.0), 0.5 * (scene.rows - 1)};
}

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
  const Eigen::Vector3d sight((pose.middle_px.x() - center.x()) * scene.squeeze / pose.focal_px,
                              (pose.middle_px.y() - center.y()) / pose.focal_px,
                              1.0);
  Eigen::Matrix3d camera_from_chart;
  Eigen::Vector3d middle(0.0, 0.0, 0.0);
  middle.head<2>() = 0.5 * end_on_chart(scene);
  camera_from_chart.col(0) = rotation.col(0);
  camera_from_chart.col(1) = rotation.col(1);
  camera_from_chart.col(2) = distance * sight - rotation * middle;
  return camera_from_chart;  // to z = 1 after the division
}

/// Whether a place on a coded chart is a dark module of a marker. Square (i, j), dark for even i +
/// j, has its middle at (i - 1/2, j - 1/2); the light ones carry marker 25 j + i / 2 on the middle
/// 6 x 6 of their 10 x 10 modules, the outer ones of which are dark.
class CodedMarkers {
 public:
  [[nodiscard]] bool dark(double u, double v) const {
    const int i = static_cast<int>(std::floor(u)) + 1;
    const int j = static_cast<int>(std::floor(v)) + 1;
    const int id = 25 * j + i / 2;
    if ((i + j) % 2 == 0 || id < 0 || id >= dictionary_->bytesList.rows) return false;
    const int column = static_cast<int>(10.0 * (u + 1.0 - i)) - 2;
    const int row = static_cast<int>(10.0 * (v + 1.0 - j)) - 2;
    if (column < 0 || row < 0 || column > 5 || row > 5) return false;
    if (column == 0 || row == 0 || column == 5 || row == 5) return true;
    // Most significant bit first, row by row, in two bytes; a set bit is light.
    const int bit = 4 * (row - 1) + column - 1;
    return ((dictionary_->bytesList.ptr(id)[bit / 8] >> (7 - bit % 8)) & 1) == 0;
  }

 private:
  cv::Ptr<cv::aruco::Dictionary> dictionary_ =
      cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_1000);
};

double radial(double r, const ChartScene& scene) {
  if (scene.radial) return scene.radial(r);
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

/// The inverse of ChartScene::radial in a table: nodes by bisection, straight lines between them.
class RadialTable {
 public:
  RadialTable(const ChartScene& scene, double largest) : step_(largest / kNodes) {
    for (int i = 0; i <= kNodes; ++i) {
      double low = 0.0;
      double high = 4.0 * largest;
      for (int k = 0; k < 55; ++k) {
        const double middle = 0.5 * (low + high);
        (scene.radial(middle) < i * step_ ? low : high) = middle;
      }
      nodes_.push_back(low);
    }
  }

  [[nodiscard]] double at(double wanted) const {
    const double place = std::min(wanted / step_, kNodes - 1e-9);
    const auto node = static_cast<std::size_t>(place);
    const double share = place - static_cast<double>(node);
    return (1.0 - share) * nodes_[node] + share * nodes_[node + 1];
  }

 private:
  static constexpr int kNodes = 20000;
  double step_;
  std::vector<double> nodes_;
};

// How many samples beside a pixel its blur reaches.
int taps_before(double blur_px, int samples) {
  return static_cast<int>(std::ceil((5.0 * blur_px + 0.5) * samples));
}

// Normal distribution and the pixel's square, convolved: the exact weight of a thin sample at x.
std::vector<double> kernel_of(double blur_px, int samples, int border) {
  std::vector<double> kernel;
  double sum = 0.0;
  for (int i = -border; i < border + samples; ++i) {
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

Point2d image_of(const ChartScene& scene, const Point2d& p_chart) {
  const Eigen::Vector3d q =
      plate_from_chart(scene) * Eigen::Vector3d(p_chart.x(), p_chart.y(), 1.0);
  const Point2d ideal(q.x() / q.z(), q.y() / q.z());
  const double r = ideal.norm();
  const double stretch = scene.pose.focal_px * (r > 0.0 ? radial(r, scene) / r : 1.0);
  return {0.5 * scene.width + stretch / scene.squeeze * ideal.x(),
          0.5 * scene.height + stretch * ideal.y()};
}

RenderedChart render_chart(const ChartScene& scene) {
  const Eigen::Matrix3d camera_from_chart = plate_from_chart(scene);
  const Eigen::Matrix3d chart_from_camera = camera_from_chart.inverse();
  const Point2d center(0.5 * scene.width, 0.5 * scene.height);
  const double focal = scene.pose.focal_px;
  const int n = scene.samples;
  const Point2d end = end_on_chart(scene);
  const CodedMarkers markers;
  std::optional<RadialTable> table;
  if (scene.radial) table.emplace(scene, 1.2 * center.norm() / focal);

  // Chart brightness at a point of the plate. An edge is a ramp as wide as a sample.
  const auto shade = [&](double px, double py) {
    for (const Cover& cover : scene.covers)
      if (px >= cover.x && px < cover.x + cover.width && py >= cover.y &&
          py < cover.y + cover.height)
        return cover.value;
    double x = (px - center.x()) * scene.squeeze / focal;
    double y = (py - center.y()) / focal;
    double stretch = 1.0;
    if (table || scene.k1 != 0.0 || scene.k2 != 0.0) {
      const double r = std::sqrt(x * x + y * y);
      if (r > 0.0) stretch = (table ? table->at(r) : inverse_radial(r, scene)) / r;
    }
    x *= stretch;
    y *= stretch;
    const Eigen::Vector3d q = chart_from_camera * Eigen::Vector3d(x, y, 1.0);
    if (q.z() <= 0.0) return scene.surround;
    const double u = q.x() / q.z();
    const double v = q.y() / q.z();
    // Gradients of u and v on the plate, in chart units per sample (the lens's own change of scale
    // is left out: it only makes a ramp a little wider or narrower).
    const auto gradient = [&](int row, double value) -> Point2d {
      return Point2d((chart_from_camera(row, 0) - value * chart_from_camera(2, 0)) * scene.squeeze,
                     chart_from_camera(row, 1) - value * chart_from_camera(2, 1)) /
             (q.z() * focal * n);
    };
    const Point2d gradient_u = gradient(0, u);
    const Point2d gradient_v = gradient(1, v);
    const double width_u = gradient_u.norm();
    const double width_v = gradient_v.norm();
    const auto inside = [](double value, double low, double high, double width) {
      return std::clamp((value - low) / width + 0.5, 0.0, 1.0) *
             std::clamp((high - value) / width + 0.5, 0.0, 1.0);
    };
    const double margin =
        inside(u, -2.0, end.x() + 2.0, width_u) * inside(v, -2.0, end.y() + 2.0, width_v);
    double ink = 0.0;
    if (scene.pattern == Pattern::kCheckerboard || scene.pattern == Pattern::kCoded) {
      // +1 between lines 0 and 1, -1 between 1 and 2, and so on.
      const auto wave = [](double value, double width) {
        const double nearest = std::round(value);
        const double ramp = std::clamp(2.0 * (value - nearest) / width, -1.0, 1.0);
        return std::fmod(std::abs(nearest), 2.0) < 0.5 ? ramp : -ramp;
      };
      const double board =
          inside(u, -1.0, scene.columns, width_u) * inside(v, -1.0, scene.rows, width_v);
      // The square between lines -1 and 0 both ways is dark: wave is -1 in both.
      ink = board * 0.5 * (1.0 + wave(u, width_u) * wave(v, width_v));
      // Sharp at the samples: nothing is measured on a marker.
      if (scene.pattern == Pattern::kCoded && board > 0.5 && markers.dark(u, v)) ink = 1.0;
    } else if (scene.pattern == Pattern::kLines) {
      // Lines of columns and rows, each with half a pitch beyond the outer crossings.
      const auto line = [&](double across, double last, double width) {
        const double off = across - std::clamp(std::round(across), 0.0, last);
        // Exact even where a line is thinner than a sample.
        return std::clamp((0.5 * scene.mark - off) / width + 0.5, 0.0, 1.0) -
               std::clamp((-0.5 * scene.mark - off) / width + 0.5, 0.0, 1.0);
      };
      const double column_line =
          line(u, end.x(), width_u) * inside(v, -0.5, end.y() + 0.5, width_v);
      const double row_line = line(v, end.y(), width_v) * inside(u, -0.5, end.x() + 0.5, width_u);
      ink = 1.0 - (1.0 - column_line) * (1.0 - row_line);
    } else {
      const auto dot = [&](int column, int row) {
        column = std::clamp(column, 0, scene.columns - 1);
        row = std::clamp(row, 0, scene.rows - 1);
        const Point2d off = Point2d(u, v) - place_on_chart(scene, column, row);
        const double distance = std::max(1e-12, off.norm());
        const Point2d gradient_off = (off.x() * gradient_u + off.y() * gradient_v) / distance;
        return std::clamp((0.5 * scene.mark - distance) / gradient_off.norm() + 0.5, 0.0, 1.0);
      };
      if (scene.pattern == Pattern::kDots) {
        ink = dot(static_cast<int>(std::lround(std::clamp(u, -9e5, 9e5))),
                  static_cast<int>(std::lround(std::clamp(v, -9e5, 9e5))));
      } else {
        const int row = static_cast<int>(std::floor(2.0 * std::clamp(v, -9e5, 9e5)));
        for (int r = row; r <= row + 1; ++r) {
          if (r < 0 || r >= scene.rows) continue;
          const int column =
              static_cast<int>(std::lround(std::clamp(u, -9e5, 9e5) - 0.5 * (r % 2)));
          ink = std::max(ink, dot(column, r));
        }
      }
    }
    const double paper = scene.light + (scene.dark - scene.light) * ink;
    return margin * paper + (1.0 - margin) * scene.surround;
  };

  std::vector<double> blurs = {scene.blur_px};
  if (scene.corner_blur_px > 0.0) blurs.push_back(scene.corner_blur_px);
  const int border = taps_before(*std::max_element(blurs.begin(), blurs.end()), n);
  const int wide = scene.width * n + 2 * border + n;
  const int tall = scene.height * n + 2 * border + n;
  const auto width = static_cast<std::size_t>(scene.width);
  // Rows of samples, blurred and decimated along x at once; then the same along y.
  std::vector<std::vector<double>> kernels;
  std::vector<std::vector<float>> across;
  for (const double blur : blurs) {
    kernels.push_back(kernel_of(blur, n, border));
    across.emplace_back(static_cast<std::size_t>(tall) * width);
  }
  std::vector<float> line(static_cast<std::size_t>(wide));
  for (int j = 0; j < tall; ++j) {
    for (int i = 0; i < wide; ++i)
      line[static_cast<std::size_t>(i)] =
          static_cast<float>(shade((i - border + 0.5) / n, (j - border + 0.5) / n));
    for (std::size_t b = 0; b < blurs.size(); ++b) {
      for (int x = 0; x < scene.width; ++x) {
        double sum = 0.0;
        const float* in = line.data() + static_cast<std::ptrdiff_t>(x) * n;
        for (std::size_t t = 0; t < kernels[b].size(); ++t) sum += kernels[b][t] * in[t];
        across[b][static_cast<std::size_t>(j) * width + static_cast<std::size_t>(x)] =
            static_cast<float>(sum);
      }
    }
  }

  RenderedChart result{Image<float>(scene.width, scene.height, 1), {}};
  std::mt19937 random(scene.seed);
  std::normal_distribution<double> gauss;
  const double far2 = center.squaredNorm();
  for (int y = 0; y < scene.height; ++y) {
    float* out = result.image.row(y);
    const std::size_t first_row = static_cast<std::size_t>(y) * static_cast<std::size_t>(n);
    for (int x = 0; x < scene.width; ++x) {
      const auto blurred = [&](std::size_t b) {
        double sum = 0.0;
        for (std::size_t t = 0; t < kernels[b].size(); ++t)
          sum += kernels[b][t] * across[b][(first_row + t) * width + static_cast<std::size_t>(x)];
        return sum;
      };
      const double r2 = (Point2d(x + 0.5, y + 0.5) - center).squaredNorm() / far2;
      double sum = blurs.size() > 1 ? (1.0 - r2) * blurred(0) + r2 * blurred(1) : blurred(0);
      sum *= 1.0 - scene.vignetting * r2;
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
      result.corners_px.push_back(image_of(scene, place_on_chart(scene, column, row)));
    }
  }
  return result;
}

}  // namespace trueplate::tests
