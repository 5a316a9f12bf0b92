#include "calib/plate/detail/lens_motion.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/lens/radial_tangential.h"
#include "calib/plate/detail/motion_findings.h"

namespace trueplate::plate::detail {
namespace {

/// Radial terms are looked for up to this shift of the corners by each, as a share of their
/// distance from the middle.
constexpr double kMostShift = 0.15;

/// ln of the focal length, and k1 and k2 as the corners' shift over their distance.
using Place = Eigen::Vector3d;

double corner_px(const Shot& shot) {
  return 0.5 * std::hypot(shot.plate_size.width, shot.plate_size.height);
}

/// What the points of a few pairs leave of the motion, by focal length and lens.
class Leftover {
 public:
  Leftover(const Shot& shot, std::span<const PairMotion> pairs, Still still)
      : still_(still), corner_px_(corner_px(shot)) {
    // Of a focal length of one pixel: pixels from the middle.
    const std::vector<std::optional<Point2d>> from_middle =
        ideal_points(shot, Eigen::Vector3d::Zero());
    for (const PairMotion& pair : pairs) {
      pairs_.push_back(common_points(shot, from_middle, pair.frame_a, pair.frame_b).ideal);
    }
  }

  [[nodiscard]] double operator()(const Place& place) const {
    std::vector<double> left;
    for (const std::vector<PointPair>& pair : pairs_) {
      const std::optional<double> error = of_pair(pair, place);
      if (error) left.push_back(*error);
    }
    if (left.empty()) return std::numeric_limits<double>::infinity();
    const auto middle = left.begin() + static_cast<std::ptrdiff_t>(left.size() / 2);
    std::nth_element(left.begin(), middle, left.end());
    return *middle;
  }

  [[nodiscard]] Eigen::Vector3d intrinsics(const Place& place) const {
    const double corner = corner_px_ / std::exp(place.x());
    return {place.x(), place.y() / std::pow(corner, 2), place.z() / std::pow(corner, 4)};
  }

 private:
  [[nodiscard]] std::optional<double> of_pair(const std::vector<PointPair>& pair,
                                              const Place& place) const {
    const double focal_px = std::exp(place.x());
    const Eigen::Vector3d terms = intrinsics(place);
    const lens::RadialTangential radial({terms(1), terms(2), 0.0, 0.0, 0.0});
    std::vector<PointPair> straight;
    for (const PointPair& points : pair) {
      const auto first = radial.undistort(points.first / focal_px);
      const auto second = radial.undistort(points.second / focal_px);
      if (first && second) straight.push_back({*first, *second});
    }
    if (straight.size() < static_cast<std::size_t>(kFewestCommon)) return std::nullopt;
    const std::optional<RobustModel> model =
        still_ == Still::kByTurn ? robust_rotation(straight) : robust_homography(straight);
    if (!model) return std::nullopt;
    return focal_px * model->rms;
  }

  std::vector<std::vector<PointPair>> pairs_;
  Still still_;
  double corner_px_;
};

/// Steps along each free coordinate, and along both since they stand for each other; halved when
/// none helps.
Place descend(const Leftover& leftover, Place place, const LensSearch& search, int num_radial) {
  const Place first_step(0.1, 0.02, 0.02);
  std::vector<Place> ways;
  if (search.free_focal) ways.emplace_back(1.0, 0.0, 0.0);
  if (num_radial > 0) ways.emplace_back(0.0, 1.0, 0.0);
  if (search.free_focal && num_radial > 0) {
    ways.emplace_back(1.0, 1.0, 0.0);
    ways.emplace_back(1.0, -1.0, 0.0);
  }
  if (num_radial > 1) {
    ways.emplace_back(0.0, 0.0, 1.0);
    ways.emplace_back(0.0, 1.0, -1.0);
  }
  constexpr double kLastStep = 1.0 / 64.0;
  constexpr int kMostLooks = 200;
  double least = leftover(place);
  int looks = 1;
  for (double size = 1.0; size >= kLastStep && looks < kMostLooks;) {
    bool better = false;
    for (const Place& way : ways) {
      for (const double sign : {1.0, -1.0}) {
        const Place next = place + sign * size * first_step.cwiseProduct(way);
        if (next.tail<2>().cwiseAbs().maxCoeff() > kMostShift) continue;
        const double left = leftover(next);
        ++looks;
        if (!(left < least)) continue;
        least = left;
        place = next;
        better = true;
        break;
      }
    }
    if (!better) size *= 0.5;
  }
  return place;
}

}  // namespace

std::optional<LensMotion> stillest_motion(const Shot& shot,
                                          const Eigen::Vector3d& start,
                                          std::span<const PairMotion> pairs,
                                          const PairMotion& motion,
                                          const LensSearch& search) {
  const bool turn = search.still == Still::kByTurn;
  const double before_px = turn ? motion.rotation_px : motion.homography_px;
  if (pairs.empty() || !(before_px < kMostOfLensPx * shot.scale())) return std::nullopt;
  // A homography costs more.
  const std::size_t most = turn ? kMostMotionPairs : 3;
  const Leftover leftover(shot, pairs.first(std::min(most, pairs.size())), search.still);
  const double limit_px =
      turn ? 1.5 * kLittleParallaxPx * shot.scale() : noise_limit_px(motion, shot.scale());
  Place place = descend(leftover, {start(0), 0.0, 0.0}, search, search.free_lens ? 1 : 0);
  // A second term only where one comes near.
  constexpr double kNear = 3.0;
  const double left_px = leftover(place);
  if (search.free_lens && left_px >= limit_px && left_px < kNear * limit_px) {
    place = descend(leftover, place, search, 2);
  }
  if (!(leftover(place) < limit_px)) return std::nullopt;
  LensMotion found{.intrinsics = leftover.intrinsics(place),
                   .motion = {},
                   .corner_shift_px = (place.y() + place.z()) * corner_px(shot)};
  found.motion = measure_scene_motion(shot, found.intrinsics, pairs);
  constexpr double kNoWorse = 1.1;
  if (!(found.motion.noise_px <= kNoWorse * motion.noise_px)) return std::nullopt;
  return found;
}

}  // namespace trueplate::plate::detail
