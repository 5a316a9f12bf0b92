#include "calib/plate/detail/deviation.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calib/base/decompositions.h"
#include "calib/plate/detail/projection_cost.h"

namespace trueplate::plate::detail {
namespace {

/// What one observation says of its pose and its point.
struct Told {
  std::size_t observation = 0;
  Point2d residual = Point2d::Zero();
  double weight = 1.0;
  ProjectionJacobian jacobian;
};

std::vector<Told> what_is_told(const Shot& shot, const Scene& scene, double cauchy_px) {
  std::vector<Told> told;
  for (std::size_t i = 0; i < shot.observations.size(); ++i) {
    const Observation& observation = shot.observations[i];
    if (shot.used[i] == 0) continue;
    const std::optional<Point2d> residual = residual_px(shot, scene, observation);
    if (!residual || !residual->allFinite()) continue;
    told.push_back(
        {i,
         *residual,
         1.0 / (1.0 + residual->squaredNorm() / (cauchy_px * cauchy_px)),
         projection_jacobian(shot,
                             observation,
                             scene.intrinsics,
                             *scene.poses[static_cast<std::size_t>(observation.frame)],
                             *scene.points[static_cast<std::size_t>(observation.track)])});
  }
  return told;
}

/// What is left open is known as badly as rounding allows, not worse.
template <int N>
Square<N> inverse_of(const Square<N>& information) {
  constexpr double kOpen = 1e-12;
  const Square<N> lifted =
      information + (kOpen * information.trace() + 1e-300) * Square<N>::Identity();
  return lifted.ldlt().solve(Square<N>::Identity());
}

/// What an observation's own part of the fit takes up of its error, and how well the fit knows the
/// place, in units of the noise.
struct Taken {
  Square<2> share = Square<2>::Zero();
  Square<2> covariance = Square<2>::Zero();

  void add(double weight, const Square<2>& known) {
    share += weight * known;
    covariance += known;
  }
};

double distance_of(const Point2d& residual, const Taken& taken) {
  // Where the others place the point to no better than this many times the noise, they do not.
  constexpr double kLeastLeft = 0.05;
  const Square<2> left = Square<2>::Identity() - taken.share;
  if (!left.allFinite() || left.determinant() < kLeastLeft || left.trace() <= 0.0) return 0.0;
  const Square<2> carried = left.inverse();
  const Point2d deleted = carried * residual;
  const Square<2> covariance = Square<2>::Identity() + carried * taken.covariance;
  const double squared = deleted.dot(covariance.inverse() * deleted);
  return squared > 0.0 ? std::sqrt(squared) : 0.0;
}

/// From the median of the lengths of normal 2-vectors, whose square is ln 2 of its mean.
double sigma_of(std::vector<double> lengths) {
  if (lengths.empty()) return 0.0;
  const auto middle = lengths.begin() + static_cast<std::ptrdiff_t>(lengths.size() / 2);
  std::nth_element(lengths.begin(), middle, lengths.end());
  return *middle / std::sqrt(2.0 * std::log(2.0));
}

}  // namespace

Deviations deviations(const Shot& shot, const Scene& scene, double cauchy_px) {
  const std::vector<Told> all = what_is_told(shot, scene, cauchy_px);
  const auto frame_of = [&shot](const Told& told) {
    return static_cast<std::size_t>(shot.observations[told.observation].frame);
  };
  const auto track_of = [&shot](const Told& told) {
    return static_cast<std::size_t>(shot.observations[told.observation].track);
  };
  // A track that is off throughout has low weights only, and would be known badly, not off: what
  // counts is how they differ.
  std::vector<double> most_of_pose(scene.poses.size(), 0.0);
  std::vector<double> most_of_point(scene.points.size(), 0.0);
  for (const Told& told : all) {
    double& of_frame = most_of_pose[frame_of(told)];
    double& of_track = most_of_point[track_of(told)];
    of_frame = std::max(of_frame, told.weight);
    of_track = std::max(of_track, told.weight);
  }
  std::vector<Square<6>> of_pose(scene.poses.size(), Square<6>::Zero());
  std::vector<Square<3>> of_point(scene.points.size(), Square<3>::Zero());
  for (const Told& told : all) {
    const ProjectionJacobian& by = told.jacobian;
    of_pose[frame_of(told)] +=
        told.weight / most_of_pose[frame_of(told)] * by.by_pose.transpose() * by.by_pose;
    of_point[track_of(told)] +=
        told.weight / most_of_point[track_of(told)] * by.by_point.transpose() * by.by_point;
  }
  for (Square<6>& pose : of_pose) pose = inverse_of<6>(pose);
  for (Square<3>& point : of_point) point = inverse_of<3>(point);

  Deviations found;
  found.distance_px.assign(shot.observations.size(), 0.0);
  std::vector<double> judged;
  for (const Told& told : all) {
    const ProjectionJacobian& by = told.jacobian;
    Taken taken;
    taken.add(told.weight / most_of_pose[frame_of(told)],
              by.by_pose * of_pose[frame_of(told)] * by.by_pose.transpose());
    taken.add(told.weight / most_of_point[track_of(told)],
              by.by_point * of_point[track_of(told)] * by.by_point.transpose());
    const double distance = distance_of(told.residual, taken);
    found.distance_px[told.observation] = distance;
    if (distance > 0.0) judged.push_back(distance);
  }
  found.sigma_px = sigma_of(std::move(judged));
  return found;
}

}  // namespace trueplate::plate::detail
