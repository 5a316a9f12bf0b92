#include "calib/target/detail/marker_reader.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace trueplate::target::detail {
namespace {

constexpr double kMinModulePx = 1.0;
// Contrast of a marker against that of the corners around it.
constexpr double kLeastContrast = 0.3;
constexpr double kMostContrast = 3.0;
constexpr double kMinSecondMisfit = 1e-3;
// What bilinear interpolation adds, sqrt(1/6) over all places between pixels.
constexpr double kSamplingBlurPx = 0.408;
// Corners whose window is narrow for the blur (small squares) tell too little of it.
constexpr std::array<double, 2> kBlurFactors = {1.0, 1.3};

using Corners = std::array<Point2d, 4>;  // (0, 0), (1, 0), (1, 1), (0, 1)

/// The homography from the unit square to its corners in the image: four points leave 8 linear
/// equations, which have this closed solution (P. S. Heckbert, Fundamentals of Texture Mapping and
/// Image Warping, 1989, section 2.2.3; from memory).
Eigen::Matrix3d image_from_square(const Corners& p) {
  const Point2d a = p[1] - p[2];
  const Point2d b = p[3] - p[2];
  const Point2d s = p[0] - p[1] + p[2] - p[3];
  const double det = a.x() * b.y() - a.y() * b.x();
  const double g = (s.x() * b.y() - s.y() * b.x()) / det;
  const double h = (a.x() * s.y() - a.y() * s.x()) / det;
  Eigen::Matrix3d result;
  result.col(0) << p[1] - p[0] + g * p[1], g;
  result.col(1) << p[3] - p[0] + h * p[3], h;
  result.col(2) << p[0], 1.0;
  return result;
}

// NaN outside the image and beside pixels that are not finite.
double bilinear(ImageView<const float> image, const Point2d& p) {
  const double fx = p.x() - 0.5;
  const double fy = p.y() - 0.5;
  if (!(fx >= 0.0 && fy >= 0.0 && fx < image.width - 1.0 && fy < image.height - 1.0))
    return std::numeric_limits<double>::quiet_NaN();
  const int x = static_cast<int>(fx);
  const int y = static_cast<int>(fy);
  const double tx = fx - x;
  const double ty = fy - y;
  const float* above = image.row(y) + x;
  const float* below = image.row(y + 1) + x;
  return (1.0 - ty) * ((1.0 - tx) * above[0] + tx * above[1]) +
         ty * ((1.0 - tx) * below[0] + tx * below[1]);
}

/// What the corners tell about the square between them.
struct Surroundings {
  Corners corners;
  double blur_px = 0.0;
  double contrast = 0.0;    // absolute
  double brightness = 1.0;  // of the square: +1, or -1 for a dark one
};

std::optional<Surroundings> surroundings(const Lattice& lattice, Place square) {
  constexpr std::array<Place, 4> kOffsets = {{{0, 0}, {1, 0}, {1, 1}, {0, 1}}};
  Surroundings result;
  for (std::size_t i = 0; i < 4; ++i) {
    const Node* node =
        lattice.find({square.first + kOffsets[i].first, square.second + kOffsets[i].second});
    if (node == nullptr) return std::nullopt;
    result.corners[i] = node->p_px;
    result.blur_px += 0.25 * node->blur_px;
    result.contrast += 0.25 * std::abs(node->contrast);
  }
  result.brightness = lattice.find(square)->contrast > 0.0 ? 1.0 : -1.0;
  return result;
}

}  // namespace

std::optional<MarkerSamples> MarkerReader::sample(const Eigen::Matrix3d& image_from_square) const {
  constexpr int kMargin = (kCodedModulesPerSquare - kCodedMarkerModules) / 2;
  MarkerSamples samples;
  for (int row = 0; row < kCodedMarkerModules; ++row) {
    for (int column = 0; column < kCodedMarkerModules; ++column) {
      double sum = 0.0;
      int count = 0;
      for (const double dv : {-kSampleSpread, 0.0, kSampleSpread}) {
        for (const double du : {-kSampleSpread, 0.0, kSampleSpread}) {
          const Eigen::Vector3d p =
              image_from_square *
              Eigen::Vector3d((kMargin + column + 0.5 + du) / kCodedModulesPerSquare,
                              (kMargin + row + 0.5 + dv) / kCodedModulesPerSquare,
                              1.0);
          const double value = bilinear(image_, p.hnormalized());
          if (!std::isfinite(value)) continue;
          sum += value;
          ++count;
        }
      }
      if (count == 0) return std::nullopt;
      samples(kCodedMarkerModules * row + column) = static_cast<float>(sum / count);
    }
  }
  return samples;
}

std::optional<MarkerRead> MarkerReader::read_square(const Lattice& lattice, Place square) {
  const auto around = surroundings(lattice, square);
  if (!around) return std::nullopt;
  const Corners& p = around->corners;
  const Point2d u = 0.5 * (p[1] - p[0] + p[2] - p[3]) / kCodedModulesPerSquare;
  const Point2d v = 0.5 * (p[3] - p[0] + p[2] - p[1]) / kCodedModulesPerSquare;
  const double area = u.x() * v.y() - u.y() * v.x();
  // Heights of a module's parallelogram: the blur is round in the image, not in the square.
  const double height_u = area / v.norm();
  const double height_v = area / u.norm();
  if (!(height_u >= kMinModulePx) || !(height_v >= kMinModulePx)) return std::nullopt;
  const auto samples = sample(image_from_square(p));
  if (!samples) return std::nullopt;
  // In units of the corners' contrast, a square of either colour being the light one.
  const MarkerSamples relative =
      *samples * static_cast<float>(around->brightness / around->contrast);
  const double blur_px = std::hypot(around->blur_px, kSamplingBlurPx);
  std::optional<MarkerMatch> match;
  for (const double factor : kBlurFactors) {
    const auto other =
        bank_.match(relative, factor * blur_px / height_u, factor * blur_px / height_v);
    if (other && (!match || other->misfit < match->misfit)) match = other;
  }
  if (!match || match->misfit > kMaxMisfit ||
      match->second_misfit < kMinMisfitRatio * match->misfit + kMinSecondMisfit)
    return std::nullopt;
  const double norm = (relative.array() - relative.mean()).matrix().norm();
  if (norm < kLeastContrast * match->norm || norm > kMostContrast * match->norm)
    return std::nullopt;
  return MarkerRead{.square = square, .id = match->id, .turns = match->turns};
}

std::vector<MarkerRead> MarkerReader::read(const Lattice& lattice) {
  std::vector<MarkerRead> reads;
  for (const auto& [place, node] : lattice.nodes())
    if (const auto read = read_square(lattice, place)) reads.push_back(*read);
  return reads;
}

}  // namespace trueplate::target::detail
