#include "calib/plate/detail/motion.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>

namespace trueplate::plate::detail {
namespace {

double median(std::vector<double> values) {
  if (values.empty()) return 0.0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// Calls visit(i, j) for the observations of tracks that both frames show.
template <class Visit>
void for_common(const Shot& shot, int frame_a, int frame_b, const Visit& visit) {
  std::size_t i = shot.starts[static_cast<std::size_t>(frame_a)];
  std::size_t j = shot.starts[static_cast<std::size_t>(frame_b)];
  const std::size_t i_end = shot.starts[static_cast<std::size_t>(frame_a) + 1];
  const std::size_t j_end = shot.starts[static_cast<std::size_t>(frame_b) + 1];
  while (i < i_end && j < j_end) {
    const int a = shot.observations[i].track;
    const int b = shot.observations[j].track;
    if (a == b && shot.used[i] != 0 && shot.used[j] != 0) visit(i, j);
    if (a <= b) ++i;
    if (b <= a) ++j;
  }
}

int num_common(const Shot& shot, int frame_a, int frame_b) {
  int count = 0;
  for_common(shot, frame_a, frame_b, [&count](std::size_t, std::size_t) { ++count; });
  return count;
}

/// How the common points move, and what a turn of the camera leaves of that.
std::optional<PairMotion> turn_between(const CommonPoints& common, double focal_px) {
  const std::optional<RobustModel> turn = robust_rotation(common.ideal);
  if (!turn) return std::nullopt;
  std::vector<double> shifts;
  std::vector<double> left;
  for (const PointPair& pair : common.ideal) {
    shifts.push_back((pair.second - pair.first).norm());
    const Eigen::Vector3d ray(pair.first.x(), pair.first.y(), 1.0);
    const Eigen::Vector3d turned = turn->matrix * ray;
    left.push_back((turned.head<2>() / turned.z() - pair.second).squaredNorm());
  }
  return PairMotion{.num_common = static_cast<int>(common.tracks.size()),
                    .shift_px = focal_px * median(shifts),
                    // The median of a squared normal 2-vector is ln 2 of its mean.
                    .rotation_px = focal_px * std::sqrt(median(left) / std::log(2.0))};
}

/// Tracks that move as the camera does, and not as a plane that most others lie on does.
double share_off_plane(const CommonPoints& common,
                       const RobustModel& homography,
                       const RobustModel& essential) {
  constexpr double kFar = 10.0;  // times the noise of a coordinate
  std::size_t num_off = 0;
  for (std::size_t i = 0; i < common.ideal.size(); ++i) {
    if (essential.is_inlier[i] == 0) continue;
    const auto& [first, second] = common.ideal[i];
    const Eigen::Vector3d moved = homography.matrix * Eigen::Vector3d(first.x(), first.y(), 1.0);
    if (!((moved.hnormalized() - second).norm() < kFar * essential.rms)) ++num_off;
  }
  return static_cast<double>(num_off) / static_cast<double>(common.ideal.size());
}

}  // namespace

CommonPoints common_points(const Shot& shot,
                           std::span<const std::optional<Point2d>> ideal,
                           int frame_a,
                           int frame_b) {
  CommonPoints common;
  for_common(shot, frame_a, frame_b, [&](std::size_t i, std::size_t j) {
    if (!ideal[i] || !ideal[j]) return;
    common.tracks.push_back(shot.observations[i].track);
    common.ideal.push_back({*ideal[i], *ideal[j]});
  });
  return common;
}

std::vector<int> chain_of_frames(const Shot& shot, int most) {
  std::vector<int> chain{0};
  const int step = std::max(1, (shot.num_frames - 1 + most - 2) / std::max(1, most - 1));
  while (chain.back() < shot.num_frames - 1) {
    const int from = chain.back();
    const int here = num_common(shot, from, from);
    int next = std::min(from + step, shot.num_frames - 1);
    while (next > from + 1 &&
           num_common(shot, from, next) < std::max(std::min(kFewestCommon, here), here / 2)) {
      next = from + std::max(1, (next - from) / 2);
    }
    chain.push_back(next);
  }
  return chain;
}

std::vector<PairMotion> pair_motions(const Shot& shot,
                                     const Eigen::Vector3d& intrinsics,
                                     std::span<const int> frames) {
  const std::vector<std::optional<Point2d>> ideal = ideal_points(shot, intrinsics);
  const double focal_px = std::exp(intrinsics(0));
  std::vector<PairMotion> pairs;
  const std::size_t count = frames.size();
  for (std::size_t gap = 1; gap < count; gap += std::max<std::size_t>(1, gap / 3)) {
    for (std::size_t i = 0; i + gap < count; i += std::max<std::size_t>(1, gap / 4)) {
      const CommonPoints common = common_points(shot, ideal, frames[i], frames[i + gap]);
      if (common.tracks.size() < static_cast<std::size_t>(kFewestCommon)) continue;
      std::optional<PairMotion> pair = turn_between(common, focal_px);
      if (!pair) continue;
      pair->frame_a = frames[i];
      pair->frame_b = frames[i + gap];
      pairs.push_back(*pair);
    }
  }
  // More parallax than a twentieth of the plate gains little.
  const double enough_px = 0.05 * shot.plate_size.width;
  const auto score = [enough_px](const PairMotion& pair) {
    return std::min(pair.rotation_px, enough_px) * std::sqrt(pair.num_common - 5.0);
  };
  std::stable_sort(pairs.begin(), pairs.end(), [&score](const PairMotion& a, const PairMotion& b) {
    return score(a) > score(b);
  });
  return pairs;
}

PairMotion measure_scene_motion(const Shot& shot,
                                const Eigen::Vector3d& intrinsics,
                                std::span<const PairMotion> pairs) {
  const std::vector<std::optional<Point2d>> ideal = ideal_points(shot, intrinsics);
  const double focal_px = std::exp(intrinsics(0));
  std::vector<double> shift, turn, flat, off_plane, noise;
  for (const PairMotion& pair : pairs.first(std::min(kMostMotionPairs, pairs.size()))) {
    const CommonPoints common = common_points(shot, ideal, pair.frame_a, pair.frame_b);
    const std::optional<PairMotion> turned = turn_between(common, focal_px);
    const std::optional<RobustModel> homography = robust_homography(common.ideal);
    const std::optional<RobustModel> essential = robust_essential(common.ideal);
    if (!turned || !homography || !essential) continue;
    shift.push_back(turned->shift_px);
    turn.push_back(turned->rotation_px);
    flat.push_back(focal_px * homography->rms);
    off_plane.push_back(share_off_plane(common, *homography, *essential));
    noise.push_back(focal_px * essential->rms);
  }
  PairMotion motion = pairs.empty() ? PairMotion{} : pairs.front();
  motion.num_pairs = static_cast<int>(shift.size());
  motion.shift_px = median(shift);
  motion.rotation_px = median(turn);
  motion.homography_px = median(flat);
  motion.off_plane = median(off_plane);
  motion.noise_px = median(noise);
  return motion;
}

PairMotion best_shared_pair(const Shot& shot) {
  PairMotion best;
  best.num_common = -1;
  const int longest = std::min(shot.num_frames - 1, 100);
  for (int gap = 1; gap <= longest; ++gap) {
    for (int frame = 0; frame + gap < shot.num_frames; ++frame) {
      const int common = num_common(shot, frame, frame + gap);
      if (common <= best.num_common) continue;
      best.frame_a = frame;
      best.frame_b = frame + gap;
      best.num_common = common;
    }
    if (best.num_common >= kFewestCommon) break;
  }
  return best;
}

}  // namespace trueplate::plate::detail
