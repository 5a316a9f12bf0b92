#include "calib/plate/detail/lens_scatter.h"

#include <Eigen/Dense>
#include <algorithm>
#include <utility>
#include <vector>

#include "calib/base/chance.h"
#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

/// More tracks than this say no more of how they scatter.
constexpr std::size_t kMostTracks = 100;
/// Scatter counts where chance makes it as large less often.
constexpr double kChanceOfScatter = 0.2;
/// Fewer groups know nothing of a variance.
constexpr int kFewestGroups = 4;

/// A group of each observation, -1 for what does not take part; and how many groups there are.
struct Groups {
  std::vector<int> of_observation;
  int count = 0;
};

Groups groups_of_tracks(const Shot& shot) {
  Groups groups{std::vector<int>(shot.observations.size(), -1), 0};
  int num_tracks = 0;
  for (const auto& track : shot.of_track) {
    bool used = false;
    for (const std::size_t i : track) {
      if (shot.used[i] == 0) continue;
      groups.of_observation[i] = num_tracks % kMostTrackGroups;
      used = true;
    }
    if (used) ++num_tracks;
  }
  groups.count = std::min(num_tracks, kMostTrackGroups);
  return groups;
}

/// Stretches of frames, each with about as many observations.
Groups stretches_of_frames(const Shot& shot) {
  Groups groups{std::vector<int>(shot.observations.size(), -1), 0};
  const auto num_used = static_cast<std::size_t>(std::count(shot.used.begin(), shot.used.end(), 1));
  const std::size_t most = std::max<std::size_t>(1, num_used / kMostStretches);
  std::size_t in_stretch = 0;
  for (std::size_t f = 0; f + 1 < shot.starts.size(); ++f) {
    if (in_stretch >= most && groups.count + 1 < kMostStretches) {
      ++groups.count;
      in_stretch = 0;
    }
    for (std::size_t i = shot.starts[f]; i < shot.starts[f + 1]; ++i) {
      if (shot.used[i] == 0) continue;
      groups.of_observation[i] = groups.count;
      ++in_stretch;
    }
  }
  ++groups.count;
  return groups;
}

/// The jackknife's covariance; empty where the lens hangs on one group.
Eigen::MatrixXd jackknife(const Shot& shot,
                          const BundleOptions& options,
                          const Scene& scene,
                          const Groups& groups,
                          const Eigen::VectorXd& step_of_all) {
  const Eigen::Index k = step_of_all.size();
  Eigen::MatrixXd sum = Eigen::MatrixXd::Zero(k, k);
  Shot others = shot;
  for (int group = 0; group < groups.count; ++group) {
    for (std::size_t i = 0; i < others.used.size(); ++i) {
      others.used[i] = shot.used[i] != 0 && groups.of_observation[i] != group ? 1 : 0;
    }
    const std::optional<IntrinsicsSystem> system = intrinsics_system(others, options, scene);
    if (!system) return {};
    const Eigen::VectorXd change = system->step - step_of_all;
    sum += change * change.transpose();
  }
  return (groups.count - 1.0) / groups.count * sum;
}

/// `covariance` wider in the directions in which `scatter` is wider than `usual`.
Eigen::MatrixXd widened(const Eigen::MatrixXd& covariance,
                        const Eigen::MatrixXd& usual,
                        const Eigen::MatrixXd& scatter,
                        int num_groups) {
  const Eigen::MatrixXd root = usual.llt().matrixL();
  const Eigen::MatrixXd half = root.triangularView<Eigen::Lower>().solve(scatter);
  const Eigen::MatrixXd white = root.triangularView<Eigen::Lower>().solve(half.transpose());
  const auto eigen = symmetric_eigen<Eigen::Dynamic>(0.5 * (white + white.transpose()));
  const double freedom = num_groups - 1.0;
  Eigen::VectorXd factors = Eigen::VectorXd::Ones(eigen.eigenvalues().size());
  for (Eigen::Index i = 0; i < factors.size(); ++i) {
    const double ratio = eigen.eigenvalues()(i);
    if (chi_square_tail(freedom * ratio, freedom) > kChanceOfScatter) continue;
    factors(i) = std::max(1.0, ratio * freedom / (freedom - 2.0));
  }
  const Eigen::MatrixXd wide = Eigen::MatrixXd(covariance.llt().matrixL()) * eigen.eigenvectors();
  return wide * factors.asDiagonal() * wide.transpose();
}

/// The shot with its longest tracks only: no more than `most`.
Shot thinned(const Shot& shot, std::size_t most) {
  Shot thin = shot;
  if (shot.of_track.size() <= most) return thin;
  std::vector<std::size_t> lengths;
  for (const auto& track : shot.of_track) lengths.push_back(track.size());
  const auto place = lengths.begin() + static_cast<std::ptrdiff_t>(lengths.size() - most);
  std::nth_element(lengths.begin(), place, lengths.end());
  std::size_t left = most;
  for (const auto& track : shot.of_track) {
    if (track.size() >= *place && left > 0) {
      --left;
      continue;
    }
    for (const std::size_t i : track) thin.used[i] = 0;
  }
  return thin;
}

}  // namespace

Eigen::MatrixXd widened_by_scatter(const Shot& shot,
                                   const BundleOptions& options,
                                   const Scene& scene,
                                   double variance,
                                   const Eigen::MatrixXd& covariance) {
  if (!(variance > 0.0)) return covariance;
  const Shot thin = thinned(shot, kMostTracks);
  const std::optional<IntrinsicsSystem> all = intrinsics_system(thin, options, scene);
  if (!all) return {};
  const Eigen::MatrixXd usual = variance * all->covariance;
  Eigen::MatrixXd result = covariance;
  for (const Groups& groups : {groups_of_tracks(thin), stretches_of_frames(thin)}) {
    if (groups.count < kFewestGroups) continue;
    const Eigen::MatrixXd scatter = jackknife(thin, options, scene, groups, all->step);
    if (scatter.size() == 0) return {};
    const Eigen::MatrixXd wide = widened(covariance, usual, scatter, groups.count);
    if (!wide.allFinite()) return {};
    // The wider of the two, by the largest variance over the usual one.
    const auto excess = [&covariance](const Eigen::MatrixXd& of) {
      return of.diagonal().cwiseQuotient(covariance.diagonal()).maxCoeff();
    };
    if (excess(wide) > excess(result)) result = wide;
  }
  return result;
}

std::optional<IntrinsicsDoubt> intrinsics_doubt(const Shot& shot,
                                                const BundleOptions& options,
                                                const Scene& scene,
                                                double variance) {
  constexpr std::size_t kMostForNoise = 500;
  const auto system = intrinsics_system(thinned(shot, kMostForNoise), options, scene);
  if (!system) return std::nullopt;
  IntrinsicsDoubt doubt;
  doubt.by_noise = variance * system->covariance;
  doubt.covariance = widened_by_scatter(shot, options, scene, variance, doubt.by_noise);
  return doubt.covariance.size() > 0 ? std::optional(std::move(doubt)) : std::nullopt;
}

}  // namespace trueplate::plate::detail
