#include "calib/target/detail/smooth_grid.h"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <set>

#include "calib/base/decompositions.h"

namespace trueplate::target::detail {
namespace {

using Basis = Eigen::Matrix<double, 10, 1>;

constexpr int kRounds = 6;         // of the robust weights
constexpr double kHuber = 2.0;     // times the robust standard deviation
constexpr double kFloorPx = 1e-3;  // of that deviation, for perfect points
constexpr double kDifference = 0.05;

int num_terms(int degree) { return degree == 0 ? 0 : (degree + 1) * (degree + 2) / 2; }

Basis basis(const Point2d& q) {
  const double x = q.x(), y = q.y();
  Basis b;
  b << 1.0, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y;
  return b;
}

// Moves points to mean 0 and mean distance sqrt(2) (Hartley 1997), without which the products below
// lose their digits.
Eigen::Matrix3d normaliser(const std::vector<Point2d>& points) {
  Point2d mean(0.0, 0.0);
  for (const Point2d& p : points) mean += p;
  mean /= static_cast<double>(points.size());
  double distance = 0.0;
  for (const Point2d& p : points) distance += (p - mean).norm();
  distance /= static_cast<double>(points.size());
  const double s = distance > 0.0 ? std::sqrt(2.0) / distance : 1.0;
  Eigen::Matrix3d t;
  t << s, 0.0, -s * mean.x(), 0.0, s, -s * mean.y(), 0.0, 0.0, 1.0;
  return t;
}

std::optional<Eigen::Matrix3d> fit_homography(const std::vector<Point2d>& from,
                                              const std::vector<Point2d>& to,
                                              const std::vector<double>& weights) {
  const Eigen::Matrix3d normal_from = normaliser(from);
  const Eigen::Matrix3d normal_to = normaliser(to);
  Eigen::Matrix<double, 9, 9> sum = Eigen::Matrix<double, 9, 9>::Zero();
  for (std::size_t i = 0; i < from.size(); ++i) {
    const Eigen::Vector3d a = normal_from * from[i].homogeneous();
    const Eigen::Vector3d b = normal_to * to[i].homogeneous();
    Eigen::Matrix<double, 9, 1> u = Eigen::Matrix<double, 9, 1>::Zero();
    Eigen::Matrix<double, 9, 1> v = Eigen::Matrix<double, 9, 1>::Zero();
    u << a, Eigen::Vector3d::Zero(), -b.x() * a;
    v << Eigen::Vector3d::Zero(), a, -b.y() * a;
    sum += weights[i] * (u * u.transpose() + v * v.transpose());
  }
  const auto solver = symmetric_eigen<9>(sum);
  if (solver.info() != Eigen::Success) return std::nullopt;
  // A second null vector: the points do not fix the map.
  if (solver.eigenvalues()[1] < 1e-9 * solver.eigenvalues()[8]) return std::nullopt;
  const Eigen::Matrix<double, 9, 1> h = solver.eigenvectors().col(0);
  Eigen::Matrix3d m;
  m << h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8];
  m = normal_to.inverse() * m * normal_from;
  if (!m.allFinite()) return std::nullopt;
  return m;
}

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

std::optional<SmoothGrid> SmoothGrid::fit(const std::vector<GridPoint>& points, int most_degree) {
  if (points.size() < 4) return std::nullopt;
  std::vector<Point2d> from;
  std::vector<Point2d> to;
  std::set<int> columns;
  std::set<int> rows;
  for (const GridPoint& p : points) {
    if (!p.p_px.allFinite()) return std::nullopt;
    from.emplace_back(p.column, p.row);
    to.push_back(p.p_px);
    columns.insert(p.column);
    rows.insert(p.row);
  }
  SmoothGrid grid;
  const std::size_t across = std::min(columns.size(), rows.size());
  grid.degree_ = points.size() >= 24 && across >= 4   ? 3
                 : points.size() >= 12 && across >= 3 ? 2
                                                      : 0;
  grid.degree_ = std::min(grid.degree_, most_degree);
  const int terms = num_terms(grid.degree_);

  std::vector<double> weights(points.size(), 1.0);
  for (int round = 0; round < kRounds; ++round) {
    const auto homography = fit_homography(from, to, weights);
    if (!homography) return std::nullopt;
    grid.homography_ = *homography;
    grid.center_px_ = {0.0, 0.0};
    grid.scale_px_ = 1.0;
    std::vector<Point2d> q;
    Point2d mean(0.0, 0.0);
    for (const Point2d& p : from) {
      q.push_back((grid.homography_ * p.homogeneous()).hnormalized());
      if (!q.back().allFinite()) return std::nullopt;
      mean += q.back();
    }
    mean /= static_cast<double>(q.size());
    double scale = 0.0;
    for (const Point2d& p : q) scale = std::max(scale, (p - mean).norm());
    if (!(scale > 0.0)) return std::nullopt;
    grid.center_px_ = mean;
    grid.scale_px_ = scale;
    grid.polynomial_.setZero();
    if (terms > 0) {
      Eigen::Matrix<double, 10, 10> normal = Eigen::Matrix<double, 10, 10>::Zero();
      Eigen::Matrix<double, 10, 2> right = Eigen::Matrix<double, 10, 2>::Zero();
      for (std::size_t i = 0; i < q.size(); ++i) {
        Basis b = basis((q[i] - mean) / scale);
        b.tail(10 - terms).setZero();
        normal += weights[i] * b * b.transpose();
        right += weights[i] * b * (to[i] - q[i]).transpose();
      }
      normal.diagonal().array() += 1e-9;
      grid.polynomial_ = solve_symmetric_columns<10, 2>(normal, right);
    }
    std::vector<double> residuals;
    for (std::size_t i = 0; i < to.size(); ++i)
      residuals.push_back((grid.at(from[i].x(), from[i].y()) - to[i]).norm());
    grid.median_residual_px_ = median(residuals);
    // Median of a Rayleigh distribution: 1.1774 standard deviations of one coordinate.
    const double limit = kHuber * std::max(kFloorPx, grid.median_residual_px_ / 1.1774);
    for (std::size_t i = 0; i < to.size(); ++i)
      weights[i] = std::min(1.0, limit / std::max(1e-12, residuals[i]));
  }
  return grid;
}

Point2d SmoothGrid::project(double column, double row) const {
  return (homography_ * Eigen::Vector3d(column, row, 1.0)).hnormalized();
}

Point2d SmoothGrid::at(double column, double row) const {
  const Point2d q = project(column, row);
  if (degree_ == 0) return q;
  return q + polynomial_.transpose() * basis((q - center_px_) / scale_px_);
}

Point2d SmoothGrid::step_u(double column, double row) const {
  return (at(column + kDifference, row) - at(column - kDifference, row)) / (2.0 * kDifference);
}

Point2d SmoothGrid::step_v(double column, double row) const {
  return (at(column, row + kDifference) - at(column, row - kDifference)) / (2.0 * kDifference);
}

double SmoothGrid::curvature_u(double column, double row) const {
  const Point2d first = step_u(column, row);
  const Point2d second = (at(column + 1.0, row) - 2.0 * at(column, row) + at(column - 1.0, row));
  const double length = first.norm();
  return (first.x() * second.y() - first.y() * second.x()) / (length * length * length);
}

double SmoothGrid::curvature_v(double column, double row) const {
  const Point2d first = step_v(column, row);
  const Point2d second = (at(column, row + 1.0) - 2.0 * at(column, row) + at(column, row - 1.0));
  const double length = first.norm();
  return (first.y() * second.x() - first.x() * second.y()) / (length * length * length);
}

}  // namespace trueplate::target::detail
