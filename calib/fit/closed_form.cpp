#include "calib/fit/closed_form.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/base/decompositions.h"

namespace trueplate::fit {
namespace {

// Standard deviation across a line of corners, relative to along it, below which they count as
// being on that line. On the plate the measurement noise sets the limit.
constexpr double kThinOnChart = 1e-3;
constexpr double kThinOnPlate = 5e-3;

// A closed form is believed only inside these limits: focal length relative to the plate's longer
// side (0.2 is a field of 136 degrees, 50 one of 1.1 degrees), principal point relative to its
// distance from the centre.
constexpr double kSmallestFocal = 0.2;
constexpr double kLargestFocal = 50.0;
constexpr double kFarthestPrincipal = 0.5;

/// Similarity that moves points to mean 0 and mean distance sqrt 2.
struct Normaliser {
  Point2d mean = {0.0, 0.0};
  double scale = 1.0;
  double thinness = 0.0;  // smaller over larger standard deviation of the cloud

  [[nodiscard]] Point2d apply(const Point2d& p) const { return (p - mean) * scale; }
  [[nodiscard]] Eigen::Matrix3d matrix() const {
    Eigen::Matrix3d m;
    m << scale, 0.0, -scale * mean.x(), 0.0, scale, -scale * mean.y(), 0.0, 0.0, 1.0;
    return m;
  }
  [[nodiscard]] Eigen::Matrix3d inverse() const {
    Eigen::Matrix3d m;
    m << 1.0 / scale, 0.0, mean.x(), 0.0, 1.0 / scale, mean.y(), 0.0, 0.0, 1.0;
    return m;
  }
};

Normaliser normaliser_of(const std::vector<Point2d>& points) {
  Normaliser n;
  const double count = static_cast<double>(points.size());
  for (const Point2d& p : points) n.mean += p;
  n.mean /= count;
  Eigen::Matrix2d scatter = Eigen::Matrix2d::Zero();
  double mean_distance = 0.0;
  for (const Point2d& p : points) {
    const Point2d d = p - n.mean;
    scatter += d * d.transpose();
    mean_distance += d.norm();
  }
  mean_distance /= count;
  n.scale = mean_distance > 0.0 ? std::sqrt(2.0) / mean_distance : 0.0;
  const Eigen::Vector2d spread = symmetric_eigen<2>(scatter).eigenvalues();
  n.thinness = spread(1) > 0.0 ? std::sqrt(std::max(0.0, spread(0)) / spread(1)) : 0.0;
  return n;
}

/// Weighted linear solution; nullopt when more than one homography fits.
std::optional<Eigen::Matrix3d> solve_dlt(const std::vector<Point2d>& from,
                                         const std::vector<Point2d>& to,
                                         const std::vector<double>& weights) {
  Eigen::Matrix<double, 9, 9> normal = Eigen::Matrix<double, 9, 9>::Zero();
  for (std::size_t i = 0; i < from.size(); ++i) {
    const Eigen::Vector3d p(from[i].x(), from[i].y(), 1.0);
    const double u = to[i].x();
    const double v = to[i].y();
    // Rows (p, 0, -u p) and (0, p, -v p): their outer products, block by block.
    const Eigen::Matrix3d pp = weights[i] * p * p.transpose();
    normal.block<3, 3>(0, 0) += pp;
    normal.block<3, 3>(3, 3) += pp;
    normal.block<3, 3>(6, 0) -= u * pp;
    normal.block<3, 3>(6, 3) -= v * pp;
    normal.block<3, 3>(6, 6) += (u * u + v * v) * pp;
  }
  const auto eigen = symmetric_eigen<9>(normal);
  if (eigen.info() != Eigen::Success) return std::nullopt;
  const auto& values = eigen.eigenvalues();
  if (!(values(1) > 1e-11 * values(8))) return std::nullopt;
  const Eigen::Matrix<double, 9, 1> h = eigen.eigenvectors().col(0);
  Eigen::Matrix3d result;
  result << h(0), h(1), h(2), h(3), h(4), h(5), h(6), h(7), h(8);
  return result;
}

double median(std::vector<double> values) {
  assert(!values.empty());
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// Sign so that the corners have positive depth; by their sum, because single corners may be wrong.
void turn_to_front(Eigen::Matrix3d& h, const std::vector<Point2d>& from) {
  int front = 0;
  for (const Point2d& p : from) front += h.row(2).dot(p.homogeneous()) > 0.0 ? 1 : -1;
  if (front < 0) h = -h;
}

bool reasonable(const Pinhole& pinhole, ImageSize plate) {
  const double longer = std::max(plate.width, plate.height);
  const Point2d centre(0.5 * plate.width, 0.5 * plate.height);
  const auto in_range = [&](double f) {
    return f >= kSmallestFocal * longer && f <= kLargestFocal * longer;
  };
  return pinhole.focal_px.allFinite() && pinhole.principal_point_px.allFinite() &&
         in_range(pinhole.focal_px.x()) && in_range(pinhole.focal_px.y()) &&
         (pinhole.principal_point_px - centre).norm() <= kFarthestPrincipal * longer;
}

/// How far the first two columns of A^-1 H are from what a rotation gives: orthogonal and of equal
/// length. 0 is perfect; no unit.
double view_misfit(const Eigen::Matrix3d& plate_from_chart, const Pinhole& pinhole) {
  Eigen::Matrix<double, 3, 2> m = plate_from_chart.leftCols<2>();
  m.row(0) = (m.row(0) - pinhole.principal_point_px.x() * m.row(2)) / pinhole.focal_px.x();
  m.row(1) = (m.row(1) - pinhole.principal_point_px.y() * m.row(2)) / pinhole.focal_px.y();
  const double a = m.col(0).norm();
  const double b = m.col(1).norm();
  if (!(a > 0.0) || !(b > 0.0)) return std::numeric_limits<double>::infinity();
  return std::hypot(m.col(0).dot(m.col(1)) / (a * b), std::log(a / b));
}

double misfit(std::span<const Eigen::Matrix3d> plate_from_chart, const Pinhole& pinhole) {
  std::vector<double> all;
  all.reserve(plate_from_chart.size());
  for (const Eigen::Matrix3d& h : plate_from_chart) all.push_back(view_misfit(h, pinhole));
  return median(std::move(all));
}

/// Homographies to a plate with its centre at 0 and half its longer side as unit, scaled so
/// that every view weighs the same.
std::vector<Eigen::Matrix3d> centred(std::span<const Eigen::Matrix3d> plate_from_chart,
                                     ImageSize plate) {
  const Normaliser n{.mean = {0.5 * plate.width, 0.5 * plate.height},
                     .scale = 2.0 / std::max(plate.width, plate.height)};
  std::vector<Eigen::Matrix3d> result;
  result.reserve(plate_from_chart.size());
  for (const Eigen::Matrix3d& h : plate_from_chart) {
    Eigen::Matrix3d c = n.matrix() * h;
    c /= c.leftCols<2>().norm();
    result.push_back(c);
  }
  return result;
}

/// Least-squares null vector of the rows, two per view, reweighted so that a view that contradicts
/// the others counts little.
template <int N>
Eigen::Matrix<double, N, 1> robust_null_vector(
    const std::vector<std::array<Eigen::Matrix<double, N, 1>, 2>>& rows) {
  std::vector<double> weights(rows.size(), 1.0);
  Eigen::Matrix<double, N, 1> b = Eigen::Matrix<double, N, 1>::Zero();
  constexpr int kRounds = 4;
  for (int round = 0; round < kRounds; ++round) {
    Eigen::Matrix<double, N, N> normal = Eigen::Matrix<double, N, N>::Zero();
    for (std::size_t i = 0; i < rows.size(); ++i) {
      for (const auto& row : rows[i]) normal += weights[i] * row * row.transpose();
    }
    b = symmetric_eigen<N>(normal).eigenvectors().col(0);
    std::vector<double> errors(rows.size());
    for (std::size_t i = 0; i < rows.size(); ++i) {
      errors[i] = std::hypot(rows[i][0].dot(b), rows[i][1].dot(b));
    }
    const double scale = 2.0 * median(errors);
    if (!(scale > 0.0)) break;
    for (std::size_t i = 0; i < rows.size(); ++i) {
      weights[i] = 1.0 / (1.0 + (errors[i] / scale) * (errors[i] / scale));
    }
  }
  return b;
}

/// Focal length x and y with the principal point at the centre.
std::optional<Pinhole> centred_closed_form(const std::vector<Eigen::Matrix3d>& homographies,
                                           ImageSize plate) {
  std::vector<std::array<Eigen::Vector3d, 2>> rows;
  rows.reserve(homographies.size());
  for (const Eigen::Matrix3d& h : homographies) {
    const Eigen::Vector3d v12 = h.col(0).cwiseProduct(h.col(1));
    const Eigen::Vector3d v11 = h.col(0).cwiseAbs2();
    const Eigen::Vector3d v22 = h.col(1).cwiseAbs2();
    rows.push_back({v12, 0.5 * (v11 - v22)});
  }
  const Eigen::Vector3d b = robust_null_vector<3>(rows);
  const double unit = 0.5 * std::max(plate.width, plate.height);
  const double fx2 = b(2) / b(0);
  const double fy2 = b(2) / b(1);
  if (!(fx2 > 0.0) || !(fy2 > 0.0)) return std::nullopt;
  const Pinhole pinhole{.focal_px = unit * Point2d(std::sqrt(fx2), std::sqrt(fy2)),
                        .principal_point_px = {0.5 * plate.width, 0.5 * plate.height}};
  if (!reasonable(pinhole, plate)) return std::nullopt;
  return pinhole;
}

/// One focal length with the principal point at the centre: each view gives up to two estimates.
std::optional<Pinhole> one_focal_closed_form(const std::vector<Eigen::Matrix3d>& homographies,
                                             ImageSize plate,
                                             double focal_ratio) {
  const double unit = 0.5 * std::max(plate.width, plate.height);
  std::vector<double> estimates;  // of focal_px.y
  for (const Eigen::Matrix3d& h : homographies) {
    // w = diag(1 / ratio^2, 1) / f^2 in x and y, 1 in z:  a / f^2 + b = 0, twice.
    const Eigen::Vector2d stretch(1.0 / (focal_ratio * focal_ratio), 1.0);
    const auto plane = [&](int i, int j) {
      return (h.col(i).head<2>().cwiseProduct(h.col(j).head<2>())).dot(stretch);
    };
    const double a1 = plane(0, 1);
    const double b1 = h(2, 0) * h(2, 1);
    const double a2 = 0.5 * (plane(0, 0) - plane(1, 1));
    const double b2 = 0.5 * (h(2, 0) * h(2, 0) - h(2, 1) * h(2, 1));
    const double squared = -(a1 * b1 + a2 * b2) / (b1 * b1 + b2 * b2);
    if (squared > 0.0 && std::isfinite(squared)) estimates.push_back(unit * std::sqrt(squared));
  }
  if (estimates.empty()) return std::nullopt;
  const double f = median(std::move(estimates));
  const Pinhole pinhole{.focal_px = {f * focal_ratio, f},
                        .principal_point_px = {0.5 * plate.width, 0.5 * plate.height}};
  if (!reasonable(pinhole, plate)) return std::nullopt;
  return pinhole;
}

}  // namespace

std::string_view start_method_name(StartMethod method) {
  switch (method) {
    case StartMethod::kClosedForm:
      return "closed form";
    case StartMethod::kCentred:
      return "principal point at the centre";
    case StartMethod::kCentredOneFocal:
      return "principal point at the centre, one focal length";
    case StartMethod::kGiven:
      return "given focal length";
    case StartMethod::kGuess:
      return "guess";
  }
  return "unknown";
}

Result<Eigen::Matrix3d> homography_of(std::span<const target::Corner> corners) {
  if (corners.size() < 4) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("found {} corners, a homography needs at least 4", corners.size()));
  }
  std::vector<Point2d> chart;
  std::vector<Point2d> plate;
  chart.reserve(corners.size());
  plate.reserve(corners.size());
  for (std::size_t i = 0; i < corners.size(); ++i) {
    if (!corners[i].p_chart_mm.allFinite() || !corners[i].p_plate_px.allFinite()) {
      return fail(ErrorCode::kInvalidInput, fmt::format("corner {} is not a finite number", i));
    }
    chart.push_back(corners[i].p_chart_mm.head<2>());
    plate.push_back(corners[i].p_plate_px);
  }
  const Normaliser from = normaliser_of(chart);
  const Normaliser to = normaliser_of(plate);
  // Written so that an overflow to NaN fails too.
  if (!(from.thinness > kThinOnChart)) {
    return fail(ErrorCode::kInvalidInput, "the corners lie on one line of the chart");
  }
  if (!(to.thinness > kThinOnPlate)) {
    return fail(ErrorCode::kInvalidInput, "the corners lie on one line of the plate");
  }
  for (Point2d& p : chart) p = from.apply(p);
  for (Point2d& p : plate) p = to.apply(p);

  std::vector<double> weights(chart.size(), 1.0);
  std::optional<Eigen::Matrix3d> h = solve_dlt(chart, plate, weights);
  constexpr int kRounds = 5;
  for (int round = 0; h && round < kRounds; ++round) {
    turn_to_front(*h, chart);
    std::vector<double> errors(chart.size());
    std::vector<double> depths(chart.size());
    for (std::size_t i = 0; i < chart.size(); ++i) {
      const Eigen::Vector3d q = *h * chart[i].homogeneous();
      depths[i] = std::max(q.z(), 1e-6);
      errors[i] = (q.head<2>() / depths[i] - plate[i]).norm();
    }
    const double scale = median(errors);
    if (!(scale > 1e-12) || *std::max_element(errors.begin(), errors.end()) < 4.0 * scale) break;
    const double typical_depth = median(depths);
    for (std::size_t i = 0; i < chart.size(); ++i) {
      // Cauchy's weight, and the depth that turns the algebraic error into pixels.
      const double z = errors[i] / (2.0 * scale);
      const double d = typical_depth / depths[i];
      weights[i] = std::min(d * d, 100.0) / (1.0 + z * z);
    }
    h = solve_dlt(chart, plate, weights);
  }
  if (!h || !(std::abs(h->determinant()) > 1e-9)) {
    return fail(ErrorCode::kInvalidInput,
                "the corners do not determine a homography (three of four on one line?)");
  }
  turn_to_front(*h, chart);
  Eigen::Matrix3d result = to.inverse() * *h * from.matrix();
  result /= result.norm();
  if (!result.allFinite()) {
    return fail(ErrorCode::kInvalidInput, "the corners' coordinates are too large or too small");
  }
  return result;
}

std::optional<Pinhole> zhang_closed_form(std::span<const Eigen::Matrix3d> plate_from_chart,
                                         ImageSize plate_size) {
  if (plate_from_chart.size() < 2) return std::nullopt;
  // b = (B11, B22, B13, B23, B33); B12 = 0 is zero skew.
  using Row = Eigen::Matrix<double, 5, 1>;
  std::vector<std::array<Row, 2>> rows;
  rows.reserve(plate_from_chart.size());
  for (const Eigen::Matrix3d& h : centred(plate_from_chart, plate_size)) {
    const auto v = [&h](int i, int j) {
      Row row;
      row << h(0, i) * h(0, j), h(1, i) * h(1, j), h(2, i) * h(0, j) + h(0, i) * h(2, j),
          h(2, i) * h(1, j) + h(1, i) * h(2, j), h(2, i) * h(2, j);
      return row;
    };
    rows.push_back({v(0, 1), 0.5 * (v(0, 0) - v(1, 1))});
  }
  const Row b = robust_null_vector<5>(rows);
  const double v0 = -b(3) / b(1);
  const double u0 = -b(2) / b(0);
  const double lambda = b(4) - b(2) * b(2) / b(0) - b(3) * b(3) / b(1);
  if (!(lambda / b(0) > 0.0) || !(lambda / b(1) > 0.0)) return std::nullopt;
  const double unit = 0.5 * std::max(plate_size.width, plate_size.height);
  const Point2d centre(0.5 * plate_size.width, 0.5 * plate_size.height);
  const Pinhole pinhole{
      .focal_px = unit * Point2d(std::sqrt(lambda / b(0)), std::sqrt(lambda / b(1))),
      .principal_point_px = centre + unit * Point2d(u0, v0)};
  if (!reasonable(pinhole, plate_size)) return std::nullopt;
  return pinhole;
}

std::vector<StartPinhole> start_candidates(std::span<const Eigen::Matrix3d> plate_from_chart,
                                           const StartOptions& options) {
  assert(!plate_from_chart.empty());
  const ImageSize plate = options.plate_size;
  const Point2d centre(0.5 * plate.width, 0.5 * plate.height);

  struct Rated {
    StartPinhole start;
    double misfit;
  };
  std::vector<Rated> rated;
  // A simpler candidate is taken when it is nearly as good: distortion pulls the closed form's
  // principal point far away, while real ones are close to the centre.
  const auto add = [&](const std::optional<Pinhole>& pinhole, StartMethod method, double penalty) {
    if (!pinhole) return;
    const double rating = penalty * misfit(plate_from_chart, *pinhole);
    if (std::isfinite(rating)) rated.push_back({{*pinhole, method}, rating});
  };
  const std::vector<Eigen::Matrix3d> homographies = centred(plate_from_chart, plate);
  if (options.focal_px) {
    add(Pinhole{*options.focal_px, centre}, StartMethod::kGiven, 1.0 / 1.5);
  }
  add(one_focal_closed_form(homographies, plate, options.focal_ratio),
      StartMethod::kCentredOneFocal,
      1.0);
  if (plate_from_chart.size() > 1) {
    add(centred_closed_form(homographies, plate), StartMethod::kCentred, 1.2);
  }
  add(zhang_closed_form(plate_from_chart, plate), StartMethod::kClosedForm, 2.0);
  std::stable_sort(rated.begin(), rated.end(), [](const Rated& a, const Rated& b) {
    return a.misfit < b.misfit;
  });

  // Fields of view of about 98, 53, 28 and 10 degrees along the longer side.
  std::vector<Rated> guesses;
  for (double f : {1.0, 2.0, 0.433, 5.7}) {
    const double focal = f * std::max(plate.width, plate.height);
    const Pinhole pinhole{{focal * options.focal_ratio, focal}, centre};
    guesses.push_back({{pinhole, StartMethod::kGuess}, misfit(plate_from_chart, pinhole)});
  }
  std::stable_sort(guesses.begin(), guesses.end(), [](const Rated& a, const Rated& b) {
    return a.misfit < b.misfit;
  });
  std::vector<StartPinhole> result;
  result.reserve(rated.size() + guesses.size());
  for (const Rated& r : rated) result.push_back(r.start);
  for (const Rated& r : guesses) result.push_back(r.start);
  return result;
}

Pose pose_from_homography(const Eigen::Matrix3d& plate_from_chart, const Pinhole& pinhole) {
  Eigen::Matrix3d m = plate_from_chart;
  m.row(0) = (m.row(0) - pinhole.principal_point_px.x() * m.row(2)) / pinhole.focal_px.x();
  m.row(1) = (m.row(1) - pinhole.principal_point_px.y() * m.row(2)) / pinhole.focal_px.y();
  // The mean length of the two columns; they differ when the pinhole is not quite right.
  const double scale = 2.0 / (m.col(0).norm() + m.col(1).norm());
  Eigen::Matrix3d r;
  r.col(0) = scale * m.col(0);
  r.col(1) = scale * m.col(1);
  r.col(2) = r.col(0).cross(r.col(1));
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(r, Eigen::ComputeFullU | Eigen::ComputeFullV);
  Eigen::Matrix3d u = svd.matrixU();
  if ((u * svd.matrixV().transpose()).determinant() < 0.0) u.col(2) = -u.col(2);
  return {.rotation = u * svd.matrixV().transpose(), .translation_mm = scale * m.col(2)};
}

}  // namespace trueplate::fit
