#include "calib/plate/two_view.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <numeric>
#include <random>

#include "calib/base/decompositions.h"
#include "calib/plate/detail/refine_essential.h"

namespace trueplate::plate {
namespace {

using Matrix9 = Eigen::Matrix<double, 9, 9>;
using Vector9 = Eigen::Matrix<double, 9, 1>;

Eigen::Vector3d on_plane(const Point2d& p) { return {p.x(), p.y(), 1.0}; }

/// The similarity that brings points to their centroid and to a mean distance of sqrt 2.
std::optional<Eigen::Matrix3d> normaliser(std::span<const PointPair> pairs,
                                          Point2d PointPair::*side) {
  Point2d centre(0.0, 0.0);
  for (const PointPair& pair : pairs) centre += pair.*side;
  centre /= static_cast<double>(pairs.size());
  double distance = 0.0;
  for (const PointPair& pair : pairs) distance += (pair.*side - centre).norm();
  distance /= static_cast<double>(pairs.size());
  const double scale = std::sqrt(2.0) / distance;
  if (!std::isfinite(scale) || !(distance > 1e-12 * centre.norm())) return std::nullopt;
  Eigen::Matrix3d result;
  result << scale, 0.0, -scale * centre.x(), 0.0, scale, -scale * centre.y(), 0.0, 0.0, 1.0;
  return result;
}

Eigen::Matrix3d row_major(const Vector9& flat) {
  Eigen::Matrix3d result;
  for (int row = 0; row < 3; ++row) result.row(row) = flat.segment<3>(3 * row).transpose();
  return result;
}

/// The homography of at least four pairs, after normalising (R. Hartley and A. Zisserman, Multiple
/// View Geometry, 2004, algorithm 4.2).
std::optional<Eigen::Matrix3d> homography(std::span<const PointPair> pairs) {
  const std::optional<Eigen::Matrix3d> first = normaliser(pairs, &PointPair::first);
  const std::optional<Eigen::Matrix3d> second = normaliser(pairs, &PointPair::second);
  if (!first || !second) return std::nullopt;
  Matrix9 normal = Matrix9::Zero();
  for (const PointPair& pair : pairs) {
    const Eigen::Vector3d a = *first * on_plane(pair.first);
    const Eigen::Vector3d b = *second * on_plane(pair.second);
    Vector9 row = Vector9::Zero();
    row.head<3>() = a;
    row.tail<3>() = -b.x() * a;
    normal.selfadjointView<Eigen::Lower>().rankUpdate(row);
    row.setZero();
    row.segment<3>(3) = a;
    row.tail<3>() = -b.y() * a;
    normal.selfadjointView<Eigen::Lower>().rankUpdate(row);
  }
  const auto eigen = symmetric_eigen<9>(normal);
  const Eigen::Matrix3d result =
      second->inverse() * row_major(eigen.eigenvectors().col(0)) * *first;
  if (!result.allFinite()) return std::nullopt;
  return result;
}

/// The rotation that best turns the first rays into the second (K. S. Arun, T. S. Huang and S. D.
/// Blostein, Least-Squares Fitting of Two 3-D Point Sets, PAMI 9(5), 1987).
std::optional<Eigen::Matrix3d> rotation(std::span<const PointPair> pairs) {
  Eigen::Matrix3d sum = Eigen::Matrix3d::Zero();
  for (const PointPair& pair : pairs) {
    sum += on_plane(pair.second).normalized() * on_plane(pair.first).normalized().transpose();
  }
  if (!sum.allFinite()) return std::nullopt;
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(sum, Eigen::ComputeFullU | Eigen::ComputeFullV);
  const double sign = (svd.matrixU() * svd.matrixV().transpose()).determinant() < 0.0 ? -1.0 : 1.0;
  return Eigen::Matrix3d(svd.matrixU() * Eigen::Vector3d(1.0, 1.0, sign).asDiagonal() *
                         svd.matrixV().transpose());
}

double transfer_squared(const Eigen::Matrix3d& matrix, const PointPair& pair) {
  const Eigen::Vector3d moved = matrix * on_plane(pair.first);
  if (!(std::abs(moved.z()) > 1e-12 * moved.norm())) return std::numeric_limits<double>::max();
  return (moved.hnormalized() - pair.second).squaredNorm();
}

/// The kind of model that fit_robustly() looks for.
struct ModelKind {
  std::size_t sample_size;
  int num_samples;     // half of the pairs wrong, a good sample is missed once in a thousand
  double freedom;      // of the model, in the unit of what a pair measures
  double per_pair;     // how many numbers a pair measures
  double consistency;  // median of the squared error over the square sum's mean, for normal noise
  std::vector<Eigen::Matrix3d> (*models)(std::span<const PointPair> sample);
  double (*squared_error)(const Eigen::Matrix3d& model, const PointPair& pair);
  /// The model of all inliers, near that of the best sample.
  std::optional<Eigen::Matrix3d> (*refit)(const Eigen::Matrix3d& near,
                                          std::span<const PointPair> pairs);
};

void draw_sample(std::size_t count,
                 std::mt19937& generator,
                 std::vector<std::size_t>& order,
                 std::size_t sample_size) {
  for (std::size_t i = 0; i < sample_size; ++i) {
    std::swap(order[i], order[i + generator() % (count - i)]);
  }
}

/// The error below which `quantile` pairs lie.
double quantile_error(const ModelKind& kind,
                      const Eigen::Matrix3d& model,
                      std::span<const PointPair> pairs,
                      std::size_t quantile,
                      std::vector<double>& scratch) {
  scratch.clear();
  for (const PointPair& pair : pairs) {
    const double error = kind.squared_error(model, pair);
    scratch.push_back(std::isfinite(error) ? error : std::numeric_limits<double>::infinity());
  }
  const auto place = scratch.begin() + static_cast<std::ptrdiff_t>(quantile);
  std::nth_element(scratch.begin(), place, scratch.end());
  return *place;
}

/// Marks the inliers of `result.matrix` and measures them.
void take_inliers(const ModelKind& kind,
                  std::span<const PointPair> pairs,
                  double limit_squared,
                  RobustModel& result) {
  result.is_inlier.assign(pairs.size(), 0);
  double sum = 0.0;
  double count = 0.0;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    const double squared = kind.squared_error(result.matrix, pairs[i]);
    if (!(squared <= limit_squared)) continue;
    result.is_inlier[i] = 1;
    sum += squared;
    count += 1.0;
  }
  const double free = std::max(count - kind.freedom / kind.per_pair, 0.5);
  result.rms = std::sqrt(sum / free);
}

std::optional<RobustModel> fit_robustly(const ModelKind& kind, std::span<const PointPair> pairs) {
  if (pairs.size() <= kind.sample_size) return std::nullopt;
  std::mt19937 generator(1);
  std::vector<std::size_t> order(pairs.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::vector<PointPair> sample(kind.sample_size);
  std::vector<double> scratch;
  // A sample fits itself, so the median is taken among the rest.
  const std::size_t quantile =
      std::min(pairs.size() - 1, pairs.size() / 2 + (kind.sample_size + 1) / 2);
  double best = std::numeric_limits<double>::infinity();
  RobustModel result;
  for (int draw = 0; draw < kind.num_samples; ++draw) {
    draw_sample(pairs.size(), generator, order, kind.sample_size);
    for (std::size_t i = 0; i < kind.sample_size; ++i) sample[i] = pairs[order[i]];
    for (const Eigen::Matrix3d& model : kind.models(sample)) {
      const double error = quantile_error(kind, model, pairs, quantile, scratch);
      if (error < best) {
        best = error;
        result.matrix = model;
      }
    }
  }
  if (!std::isfinite(best)) return std::nullopt;
  const double spread =
      1.0 + 5.0 / static_cast<double>(pairs.size() - kind.sample_size);  // Rousseeuw 1984
  const double variance = best / kind.consistency * spread * spread;
  constexpr double kLimitSigmas = 2.5;
  const double limit = kLimitSigmas * kLimitSigmas * variance;
  take_inliers(kind, pairs, limit, result);
  std::vector<PointPair> inliers;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    if (result.is_inlier[i] != 0) inliers.push_back(pairs[i]);
  }
  if (inliers.size() >= kind.sample_size) {
    if (const std::optional<Eigen::Matrix3d> refined = kind.refit(result.matrix, inliers)) {
      result.matrix = *refined;
      take_inliers(kind, pairs, limit, result);
    }
  }
  return result;
}

std::vector<Eigen::Matrix3d> as_list(const std::optional<Eigen::Matrix3d>& model) {
  if (!model) return {};
  return {*model};
}

/// How far along the two rays their closest points lie: {first, second}; zero or less is behind.
Eigen::Vector2d depths(const RelativePose& pose, const PointPair& pair) {
  const Eigen::Vector3d a = pose.rotation * on_plane(pair.first);
  const Eigen::Vector3d b = on_plane(pair.second);
  const Eigen::Vector3d axis = a.cross(b);
  // a d1 + t = b d2.
  return {-pose.translation.cross(b).dot(axis), -pose.translation.cross(a).dot(axis)};
}

}  // namespace

std::optional<Eigen::Matrix3d> fundamental_eight_point(std::span<const PointPair> pairs) {
  if (pairs.size() < 8) return std::nullopt;
  const std::optional<Eigen::Matrix3d> first = normaliser(pairs, &PointPair::first);
  const std::optional<Eigen::Matrix3d> second = normaliser(pairs, &PointPair::second);
  if (!first || !second) return std::nullopt;
  Eigen::Matrix<double, Eigen::Dynamic, 9> rows(static_cast<Eigen::Index>(pairs.size()), 9);
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    const Eigen::Vector3d a = *first * on_plane(pairs[i].first);
    const Eigen::Vector3d b = *second * on_plane(pairs[i].second);
    rows.row(static_cast<Eigen::Index>(i)) << b.x() * a.transpose(), b.y() * a.transpose(),
        a.transpose();
  }
  if (!rows.allFinite()) return std::nullopt;
  const Eigen::Matrix3d full_rank = row_major(right_singular_vectors(rows).vectors.col(8));
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(full_rank, Eigen::ComputeFullU | Eigen::ComputeFullV);
  Eigen::Vector3d values = svd.singularValues();
  values(2) = 0.0;
  const Eigen::Matrix3d f = second->transpose() * svd.matrixU() * values.asDiagonal() *
                            svd.matrixV().transpose() * *first;
  return Eigen::Matrix3d(f / f.norm());
}

double sampson_squared(const Eigen::Matrix3d& f, const PointPair& pair) {
  const Eigen::Vector3d line_second = f * on_plane(pair.first);
  const Eigen::Vector3d line_first = f.transpose() * on_plane(pair.second);
  const double algebraic = on_plane(pair.second).dot(line_second);
  const double gradient = line_second.head<2>().squaredNorm() + line_first.head<2>().squaredNorm();
  // Both points on the epipoles satisfy every line.
  return gradient > 0.0 ? algebraic * algebraic / gradient : 0.0;
}

std::array<RelativePose, 4> relative_poses(const Eigen::Matrix3d& e) {
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(e, Eigen::ComputeFullU | Eigen::ComputeFullV);
  const Eigen::Matrix3d w = (Eigen::Matrix3d() << 0, -1, 0, 1, 0, 0, 0, 0, 1).finished();
  Eigen::Matrix3d one = svd.matrixU() * w * svd.matrixV().transpose();
  Eigen::Matrix3d other = svd.matrixU() * w.transpose() * svd.matrixV().transpose();
  if (one.determinant() < 0.0) one = -one;
  if (other.determinant() < 0.0) other = -other;
  const Eigen::Vector3d t = svd.matrixU().col(2);
  return {
      RelativePose{one, t}, RelativePose{one, -t}, RelativePose{other, t}, RelativePose{other, -t}};
}

RecoveredPose recover_pose(const Eigen::Matrix3d& e, std::span<const PointPair> pairs) {
  RecoveredPose best;
  best.num_in_front = -1;
  for (const RelativePose& pose : relative_poses(e)) {
    const auto in_front = std::count_if(pairs.begin(), pairs.end(), [&pose](const PointPair& pair) {
      return depths(pose, pair).minCoeff() > 0.0;
    });
    if (in_front > best.num_in_front) best = {pose, static_cast<int>(in_front)};
  }
  return best;
}

std::optional<RobustModel> robust_essential(std::span<const PointPair> pairs) {
  constexpr double kMedianOfChi1 = 0.4549;
  static constexpr ModelKind kKind{
      .sample_size = 5,
      .num_samples = 218,
      .freedom = 5.0,
      .per_pair = 1.0,
      .consistency = kMedianOfChi1,
      .models =
          [](std::span<const PointPair> sample) { return essential_five_point(sample.first<5>()); },
      .squared_error = &sampson_squared,
      .refit = &detail::refine_essential};
  return fit_robustly(kKind, pairs);
}

/// Median of the squared length of a normal 2-vector over its variance per coordinate, 2 ln 2.
constexpr double kMedianOfChi2 = 1.3863;

std::optional<RobustModel> robust_homography(std::span<const PointPair> pairs) {
  static constexpr ModelKind kKind{
      .sample_size = 4,
      .num_samples = 107,
      .freedom = 8.0,
      .per_pair = 2.0,
      .consistency = kMedianOfChi2,
      .models = [](std::span<const PointPair> sample) { return as_list(homography(sample)); },
      .squared_error = &transfer_squared,
      .refit = [](const Eigen::Matrix3d&,
                  std::span<const PointPair> inliers) { return homography(inliers); }};
  return fit_robustly(kKind, pairs);
}

std::optional<RobustModel> robust_rotation(std::span<const PointPair> pairs) {
  static constexpr ModelKind kKind{
      .sample_size = 2,
      .num_samples = 24,
      .freedom = 3.0,
      .per_pair = 2.0,
      .consistency = kMedianOfChi2,
      .models = [](std::span<const PointPair> sample) { return as_list(rotation(sample)); },
      .squared_error = &transfer_squared,
      .refit = [](const Eigen::Matrix3d&,
                  std::span<const PointPair> inliers) { return rotation(inliers); }};
  return fit_robustly(kKind, pairs);
}

}  // namespace trueplate::plate
