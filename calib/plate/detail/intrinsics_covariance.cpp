#include <Eigen/Dense>
#include <optional>
#include <vector>

#include "calib/base/decompositions.h"
#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/projection_cost.h"
#include "calib/plate/detail/selection.h"

namespace trueplate::plate::detail {

std::optional<IntrinsicsSystem> intrinsics_system(const Shot& shot,
                                                  const BundleOptions& options,
                                                  const Scene& scene) {
  std::vector<int> columns;
  if (options.free_focal) columns.push_back(0);
  for (int term = 0; term < options.num_radial; ++term) columns.push_back(1 + term);
  if (columns.empty()) return std::nullopt;
  const auto k = static_cast<Eigen::Index>(columns.size());
  const Selection selection = select(shot, options, scene);
  // Tracks that take part have three columns each; the intrinsics stand at the end, and after them
  // the residual as if it were one more: what is left of it is the gradient.
  std::vector<Eigen::Index> place(selection.of_track.size(), -1);
  Eigen::Index size = 0;
  for (std::size_t t = 0; t < place.size(); ++t) {
    if (selection.of_track[t] < 2) continue;
    place[t] = size;
    size += 3;
  }
  const Eigen::Index border = k + 1;
  Eigen::MatrixXd information = Eigen::MatrixXd::Zero(size + border, size + border);
  std::size_t begin = 0;
  while (begin < selection.observations.size()) {
    const int frame = shot.observations[selection.observations[begin]].frame;
    std::size_t end = begin;
    while (end < selection.observations.size() &&
           shot.observations[selection.observations[end]].frame == frame) {
      ++end;
    }
    // Of this frame: the pose's block, and what couples it with the rest.
    Eigen::Matrix<double, 6, 6> of_pose = Eigen::Matrix<double, 6, 6>::Zero();
    Eigen::MatrixXd coupling = Eigen::MatrixXd::Zero(6, size + border);
    for (std::size_t at = begin; at < end; ++at) {
      const Observation& observation = shot.observations[selection.observations[at]];
      const auto track = static_cast<std::size_t>(observation.track);
      if (place[track] < 0) continue;
      const ProjectionJacobian j =
          projection_jacobian(shot,
                              observation,
                              scene.intrinsics,
                              *scene.poses[static_cast<std::size_t>(frame)],
                              *scene.points[track]);
      Eigen::Matrix<double, 2, Eigen::Dynamic> by_border(2, border);
      for (Eigen::Index c = 0; c < k; ++c) {
        by_border.col(c) = j.by_intrinsics.col(columns[static_cast<std::size_t>(c)]);
      }
      by_border.col(k) = residual_px(shot, scene, observation).value_or(Point2d(0.0, 0.0));
      of_pose += j.by_pose.transpose() * j.by_pose;
      coupling.middleCols<3>(place[track]) += j.by_pose.transpose() * j.by_point;
      coupling.rightCols(border) += j.by_pose.transpose() * by_border;
      information.block<3, 3>(place[track], place[track]) += j.by_point.transpose() * j.by_point;
      information.block(size, place[track], border, 3) += by_border.transpose() * j.by_point;
      information.bottomRightCorner(border, border) += by_border.transpose() * by_border;
    }
    const Eigen::LLT<Eigen::Matrix<double, 6, 6>> factor(of_pose);
    if (factor.info() == Eigen::Success) {
      const Eigen::MatrixXd half = factor.matrixL().solve(coupling);
      information.selfadjointView<Eigen::Lower>().rankUpdate(half.transpose(), -1.0);
    }
    begin = end;
  }
  if (size == 0) return std::nullopt;
  // Moving, turning and scaling the whole changes no error, and touches no intrinsics: a trace of
  // damping stands for a datum.
  Eigen::MatrixXd of_points = information.topLeftCorner(size, size).selfadjointView<Eigen::Lower>();
  constexpr double kDatum = 1e-10;
  of_points.diagonal() *= 1.0 + kDatum;
  of_points.diagonal().array() += kDatum * of_points.diagonal().mean();
  const Eigen::MatrixXd cross = information.bottomLeftCorner(border, size);
  const Eigen::MatrixXd full =
      information.bottomRightCorner(border, border).selfadjointView<Eigen::Lower>();
  const Eigen::MatrixXd reduced =
      full -
      cross * solve_symmetric_columns<Eigen::Dynamic, Eigen::Dynamic>(of_points, cross.transpose());
  const Eigen::VectorXd scale = full.diagonal().head(k).cwiseSqrt().cwiseInverse();
  if (!scale.allFinite() || !reduced.allFinite()) return std::nullopt;
  const auto eigen = symmetric_eigen<Eigen::Dynamic>(
      scale.asDiagonal() * reduced.topLeftCorner(k, k) * scale.asDiagonal());
  constexpr double kSingular = 1e-9;
  if (!(eigen.eigenvalues().minCoeff() > kSingular)) return std::nullopt;
  IntrinsicsSystem system;
  system.covariance = scale.asDiagonal() * eigen.eigenvectors() *
                      eigen.eigenvalues().cwiseInverse().asDiagonal() *
                      eigen.eigenvectors().transpose() * scale.asDiagonal();
  system.step = -system.covariance * reduced.col(k).head(k);
  return system;
}

}  // namespace trueplate::plate::detail
