#include "calib/target/choice.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>

namespace trueplate::target {
namespace {

constexpr int kCellsAcross = 12;
constexpr int kCellsDown = 8;
constexpr int kNumFeatures = 2 + 5 * 4;
using Features = std::array<double, kNumFeatures>;

/// How much a pose unlike the others is worth beside new cells; the cells of a view are counted as
/// a share of all.
constexpr double kPoseWeight = 0.6;
constexpr double kEdgeCellWeight = 2.0;

double median(std::vector<double> values) {
  if (values.empty()) return std::numeric_limits<double>::quiet_NaN();
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// The grid step in image pixels along chart x and y near a corner: to the nearest other corners.
/// Least squares over the closest few, so that holes and borders do no harm.
Eigen::Matrix2d local_step(const std::vector<Corner>& corners, const Corner& at) {
  std::vector<std::pair<double, const Corner*>> near;
  near.reserve(corners.size());
  for (const Corner& corner : corners) {
    near.emplace_back((corner.p_chart_mm - at.p_chart_mm).squaredNorm(), &corner);
  }
  const std::size_t count = std::min<std::size_t>(9, near.size());
  std::partial_sort(near.begin(), near.begin() + static_cast<std::ptrdiff_t>(count), near.end());
  Eigen::Matrix2d normal = Eigen::Matrix2d::Zero();
  Eigen::Matrix2d right = Eigen::Matrix2d::Zero();
  for (std::size_t i = 1; i < count; ++i) {
    const Eigen::Vector2d d = (near[i].second->p_chart_mm - at.p_chart_mm).head<2>();
    normal += d * d.transpose();
    right += (near[i].second->p_plate_px - at.p_plate_px) * d.transpose();
  }
  if (std::abs(normal.determinant()) < 1e-12 * normal.squaredNorm()) return Eigen::Matrix2d::Zero();
  return right * normal.inverse();
}

/// A view as the choice sees it.
struct Sight {
  std::size_t index = 0;  // of the candidate
  Features features{};
  std::vector<int> cells;
  double blur_px = 0.0;
  double motion_px = std::numeric_limits<double>::quiet_NaN();
};

Sight sight_of(const Candidate& candidate, std::size_t index) {
  const std::vector<Corner>& corners = candidate.view.corners;
  const ImageSize plate = candidate.view.plate_size;
  Sight sight;
  sight.index = index;
  sight.blur_px = candidate.blur_px;
  std::array<bool, kCellsAcross * kCellsDown> seen{};
  Point2d middle(0.0, 0.0);
  for (const Corner& corner : corners) {
    middle += corner.p_plate_px;
    const auto cell = [](double p, int size, int cells) {
      return std::clamp(static_cast<int>(p / size * cells), 0, cells - 1);
    };
    seen[static_cast<std::size_t>(cell(corner.p_plate_px.y(), plate.height, kCellsDown) *
                                      kCellsAcross +
                                  cell(corner.p_plate_px.x(), plate.width, kCellsAcross))] = true;
  }
  middle /= static_cast<double>(corners.size());
  for (std::size_t i = 0; i < seen.size(); ++i) {
    if (seen[i]) sight.cells.push_back(static_cast<int>(i));
  }
  const double unit = std::max(plate.width, plate.height);
  sight.features[0] = middle.x() / unit;
  sight.features[1] = middle.y() / unit;
  // The corner nearest the middle, and the extreme ones in the four diagonal directions.
  const auto most = [&](const auto& value) -> const Corner& {
    return *std::max_element(corners.begin(), corners.end(), [&](const Corner& a, const Corner& b) {
      return value(a.p_plate_px) < value(b.p_plate_px);
    });
  };
  const std::array<const Corner*, 5> places = {
      &most([&](const Point2d& p) { return -(p - middle).norm(); }),
      &most([](const Point2d& p) { return p.x() + p.y(); }),
      &most([](const Point2d& p) { return p.x() - p.y(); }),
      &most([](const Point2d& p) { return -p.x() + p.y(); }),
      &most([](const Point2d& p) { return -p.x() - p.y(); })};
  double scale = 0.0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Eigen::Matrix2d step = local_step(corners, *places[i]);
    if (i == 0) scale = std::sqrt(std::max(std::abs(step.determinant()), 1e-12));
    for (std::size_t k = 0; k < 4; ++k) {
      sight.features[2 + 4 * i + k] =
          step(static_cast<int>(k % 2), static_cast<int>(k / 2)) / scale;
    }
  }
  // The size, which the division has taken out of the middle's step.
  for (std::size_t k = 0; k < 4; ++k) sight.features[2 + k] *= std::log(scale * 1e3);
  return sight;
}

double difference(const Features& a, const Features& b) {
  double largest = 0.0;
  for (int i = 0; i < kNumFeatures; ++i) {
    const auto k = static_cast<std::size_t>(i);
    largest = std::max(largest, std::abs(a[k] - b[k]));
  }
  return largest;
}

/// How far a typical point moves from one view to the other: to the nearest point there, since the
/// grid of a chart without marks counts from another corner in every frame.
double motion_between(const View& a, const View& b) {
  std::vector<double> moves;
  const std::size_t step = std::max<std::size_t>(1, a.corners.size() / 30);
  for (std::size_t i = 0; i < a.corners.size(); i += step) {
    double nearest = std::numeric_limits<double>::infinity();
    for (const Corner& corner : b.corners) {
      nearest = std::min(nearest, (corner.p_plate_px - a.corners[i].p_plate_px).squaredNorm());
    }
    moves.push_back(std::sqrt(nearest));
  }
  const double nearest = median(std::move(moves));
  if (a.corners.size() != b.corners.size()) return nearest;
  // A move by a whole step looks like none, but it takes the middle of the same points along.
  Point2d shift(0.0, 0.0);
  for (std::size_t i = 0; i < a.corners.size(); ++i) {
    shift += b.corners[i].p_plate_px - a.corners[i].p_plate_px;
  }
  return std::max(nearest, shift.norm() / static_cast<double>(a.corners.size()));
}

/// Sets the motion of each view: from its neighbours in the movie, the calmer side.
void measure_motion(const std::vector<Candidate>& candidates, std::vector<Sight>& sights) {
  std::map<int, std::size_t> by_number;
  for (std::size_t i = 0; i < sights.size(); ++i) {
    const auto& number = candidates[sights[i].index].frame_number;
    if (number) by_number.emplace(*number, i);
  }
  for (const auto& [number, i] : by_number) {
    const auto next = by_number.find(number + 1);
    if (next == by_number.end()) continue;
    const double motion = motion_between(candidates[sights[i].index].view,
                                         candidates[sights[next->second].index].view);
    sights[i].motion_px = std::fmin(sights[i].motion_px, motion);
    sights[next->second].motion_px = std::fmin(sights[next->second].motion_px, motion);
  }
}

double sharp_blur(const std::vector<Sight>& sights) {
  std::vector<double> blurs;
  for (const Sight& sight : sights) {
    if (std::isfinite(sight.blur_px)) blurs.push_back(sight.blur_px);
  }
  if (blurs.empty()) return std::numeric_limits<double>::infinity();
  const auto quarter = blurs.begin() + static_cast<std::ptrdiff_t>(blurs.size() / 4);
  std::nth_element(blurs.begin(), quarter, blurs.end());
  return *quarter;
}

/// Takes views one after another.
class Chooser {
 public:
  Chooser(std::vector<Sight> sights, std::vector<ChoiceResult>& results)
      : sights_(std::move(sights)),
        distance_(sights_.size(), std::numeric_limits<double>::infinity()),
        nearest_(sights_.size(), 0),
        taken_(sights_.size(), 0),
        results_(results) {}

  void run(int most, const std::vector<Candidate>& candidates) {
    for (int round = 0; round < most; ++round) {
      const std::optional<std::size_t> best = most_gain();
      if (!best) break;
      take(*best);
    }
    for (std::size_t i = 0; i < sights_.size(); ++i) {
      if (taken_[i] != 0) continue;
      const std::string& like = candidates[sights_[nearest_[i]].index].view.frame;
      results_[sights_[i].index].reason = distance_[i] < kSamePose
                                              ? fmt::format("the same view as {}", like)
                                              : fmt::format("adds little to {}", like);
    }
  }

 private:
  [[nodiscard]] double gain(std::size_t i) const {
    double cells = 0.0;
    for (const int cell : sights_[i].cells) {
      const int x = cell % kCellsAcross;
      const int y = cell / kCellsAcross;
      const bool edge = x == 0 || y == 0 || x == kCellsAcross - 1 || y == kCellsDown - 1;
      const int count = counts_[static_cast<std::size_t>(cell)];
      cells += (edge ? kEdgeCellWeight : 1.0) / (1.0 + count * count);
    }
    // Beyond a quarter, another pose is simply another.
    const double pose = std::min(distance_[i], 0.25) / 0.25;
    return cells / (kCellsAcross * kCellsDown) + kPoseWeight * pose;
  }

  [[nodiscard]] std::optional<std::size_t> most_gain() const {
    std::optional<std::size_t> best;
    double best_gain = 0.0;
    for (std::size_t i = 0; i < sights_.size(); ++i) {
      if (taken_[i] != 0 || distance_[i] < kSamePose) continue;
      const double value = gain(i);
      if (!best || value > best_gain) {
        best = i;
        best_gain = value;
      }
    }
    return best;
  }

  void take(std::size_t chosen) {
    taken_[chosen] = 1;
    results_[sights_[chosen].index].chosen = true;
    for (const int cell : sights_[chosen].cells) ++counts_[static_cast<std::size_t>(cell)];
    for (std::size_t i = 0; i < sights_.size(); ++i) {
      const double d = difference(sights_[i].features, sights_[chosen].features);
      if (d >= distance_[i]) continue;
      distance_[i] = d;
      nearest_[i] = chosen;
    }
  }

  std::vector<Sight> sights_;
  std::vector<double> distance_;      // to the nearest view taken
  std::vector<std::size_t> nearest_;  // which that is
  std::vector<char> taken_;
  std::array<int, kCellsAcross * kCellsDown> counts_{};
  std::vector<ChoiceResult>& results_;
};

/// The worst fields that have to be put up with.
Fields accepted_fields(const std::vector<Candidate>& candidates) {
  std::array<int, 3> counts{};
  for (const Candidate& candidate : candidates) {
    if (candidate.view.corners.empty() || !candidate.repeats.empty()) continue;
    ++counts[static_cast<std::size_t>(candidate.fields)];
  }
  const int enough = std::min(kFewestSoundViews, counts[0] + counts[1] + counts[2]);
  if (counts[0] >= enough) return Fields::kOne;
  return counts[0] + counts[1] >= enough ? Fields::kStill : Fields::kTwo;
}

}  // namespace

std::vector<std::string> unsound_views(const std::vector<Candidate>& candidates) {
  const Fields accepted = accepted_fields(candidates);
  std::vector<std::string> reasons(candidates.size());
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Candidate& candidate = candidates[i];
    if (candidate.view.corners.empty()) continue;
    if (!candidate.repeats.empty()) {
      reasons[i] = fmt::format("repeats the picture of {}", candidate.repeats);
    } else if (candidate.fields > accepted) {
      reasons[i] = "interlaced, and enough others are not";
    }
  }
  return reasons;
}

std::vector<ChoiceResult> choose_views(const std::vector<Candidate>& candidates,
                                       const ChoiceOptions& options) {
  std::vector<ChoiceResult> results(candidates.size());
  std::vector<Sight> sights;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    if (!candidates[i].view.corners.empty()) sights.push_back(sight_of(candidates[i], i));
  }
  measure_motion(candidates, sights);
  const double sharp = sharp_blur(sights);
  const double blur_limit = std::max(options.blur_factor * sharp, sharp + kMinExtraBlurPx);
  std::vector<Sight> good;
  for (const Sight& sight : sights) {
    std::string& reason = results[sight.index].reason;
    if (sight.blur_px > blur_limit) {
      reason = fmt::format("blurred by {:.2f} px, the sharp ones by {:.2f}", sight.blur_px, sharp);
    } else if (sight.motion_px > options.max_motion_px) {
      reason = fmt::format("the chart moves by {:.1f} px a frame", sight.motion_px);
    } else {
      good.push_back(sight);
    }
  }
  // Better a set with flaws than none.
  if (static_cast<int>(good.size()) <
      std::min<int>(kFewestViews, static_cast<int>(sights.size()))) {
    good = sights;
    for (const Sight& sight : sights) results[sight.index].reason.clear();
  }
  if (static_cast<int>(good.size()) <= options.most_views) {
    for (const Sight& sight : good) results[sight.index].chosen = true;
    return results;
  }
  Chooser(std::move(good), results).run(options.most_views, candidates);
  return results;
}

}  // namespace trueplate::target
