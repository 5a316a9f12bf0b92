#include "calib/target/measure_again.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "calib/target/detail/corner_probe.h"
#include "calib/target/detail/corner_search.h"
#include "calib/target/detail/dot_probe.h"
#include "calib/target/detail/finish.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/detail/line_probe.h"
#include "calib/target/detection.h"

namespace trueplate::target {
namespace {

using detail::Lattice;
using detail::Looks;
using detail::Node;
using detail::Place;
using detail::Prediction;
using detail::Probe;

constexpr double kDifference = 0.25;     // steps
constexpr double kFarShare = 0.1;        // of a step, see measure_again()
constexpr double kMostChartSteps = 1e6;  // beyond, columns and rows are no whole numbers any more
constexpr int kSampleNodes = 16;

/// The lattice of a print: its two steps in mm. Of staggered dots the nearest ones, diagonally.
struct Steps {
  Point2d u_mm;
  Point2d v_mm;

  explicit Steps(const Chart& chart) {
    const Point2d pitch = chart.pitch_xy_mm();
    if (chart.kind == ChartKind::kDotsStaggered) {
      u_mm = 0.5 * pitch;
      v_mm = {-0.5 * pitch.x(), 0.5 * pitch.y()};
    } else {
      u_mm = {pitch.x(), 0.0};
      v_mm = {0.0, pitch.y()};
    }
  }

  [[nodiscard]] std::optional<Place> place_of(const Point2d& p_mm) const {
    Eigen::Matrix2d mm_from_steps;
    mm_from_steps << u_mm, v_mm;
    const Eigen::Vector2d steps = mm_from_steps.inverse() * p_mm;
    if (!(steps.cwiseAbs().maxCoeff() < kMostChartSteps)) return std::nullopt;
    return Place(static_cast<int>(std::lround(steps.x())),
                 static_cast<int>(std::lround(steps.y())));
  }
};

std::optional<Prediction> predicted(const Point2d& p_mm,
                                    const Steps& steps,
                                    const ImageFromChart& image_from_chart) {
  // By steps along u and v, -1, 0, 1 times the difference.
  std::array<std::array<Point2d, 3>, 3> seen;
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) {
      const double along_u = kDifference * (static_cast<double>(i) - 1.0);
      const double along_v = kDifference * (static_cast<double>(j) - 1.0);
      const auto p = image_from_chart(p_mm + along_u * steps.u_mm + along_v * steps.v_mm);
      if (!p || !p->allFinite()) return std::nullopt;
      seen[i][j] = *p;
    }
  }
  constexpr double kSquare = kDifference * kDifference;
  Prediction at;
  at.p_px = seen[1][1];
  at.step_u_px = (seen[2][1] - seen[0][1]) / (2.0 * kDifference);
  at.step_v_px = (seen[1][2] - seen[1][0]) / (2.0 * kDifference);
  at.bend_uu_px = (seen[2][1] - 2.0 * seen[1][1] + seen[0][1]) / kSquare;
  at.bend_vv_px = (seen[1][2] - 2.0 * seen[1][1] + seen[1][0]) / kSquare;
  at.bend_uv_px = (seen[2][2] - seen[2][0] - seen[0][2] + seen[0][0]) / (4.0 * kSquare);
  return at;
}

/// A point to measure.
struct Target {
  std::size_t index = 0;  // in the corners given
  Place place;
  Prediction at;
};

std::vector<Target> targets_of(std::span<const Corner> corners,
                               const Chart& chart,
                               const ImageFromChart& image_from_chart) {
  const Steps steps(chart);
  std::vector<Target> targets;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const Point2d p_mm = corners[i].p_chart_mm.head<2>();
    const auto place = steps.place_of(p_mm);
    auto at = predicted(p_mm, steps, image_from_chart);
    if (!place || !at) continue;
    const Point2d& measured = corners[i].p_plate_px;
    if ((measured - at->p_px).norm() <= std::max(1.0, kFarShare * at->square_px()))
      at->p_px = measured;
    targets.push_back({i, *place, *at});
  }
  return targets;
}

double step_px(const Prediction& at) {
  return std::sqrt(
      std::abs(at.step_u_px.x() * at.step_v_px.y() - at.step_u_px.y() * at.step_v_px.x()));
}

/// Blur, contrast and width of some points, spread over the chart, of which nothing is known. The
/// widths are in steps: perspective may double them from one end of the chart to the other.
Lattice sample(const std::vector<Target>& targets, const Probe& probe) {
  const std::size_t every = std::max<std::size_t>(1, targets.size() / kSampleNodes);
  Lattice lattice;
  for (std::size_t i = 0; i < targets.size(); i += every)
    if (auto node = probe(targets[i].place, targets[i].at, Looks{})) {
      node->width_px /= step_px(targets[i].at);
      lattice.set(targets[i].place, *node);
    }
  return lattice;
}

Lattice measured(const std::vector<Target>& targets,
                 const Probe& probe,
                 const std::function<Looks(const Target&)>& looks_at) {
  Lattice lattice;
  for (const Target& target : targets)
    if (const auto node = probe(target.place, target.at, looks_at(target)))
      lattice.set(target.place, *node);
  return lattice;
}

/// How a kind of point is measured, and a sample of them.
struct Method {
  Probe search;
  Probe best;
  Lattice sampled;
};

/// The colour of checkerboard corners is known only to alternate: the one of two that suits.
Method checkerboard_method(ImageView<const float> luma,
                           const SaddleOptions& options,
                           const std::vector<Target>& targets) {
  Method best;
  for (const int parity : {1, -1}) {
    const Probe probe = detail::corner_probe(luma, parity, options);
    Lattice sampled = sample(targets, probe);
    if (!best.search || sampled.size() > best.sampled.size())
      best = {probe, probe, std::move(sampled)};
  }
  return best;
}

Method method_of(ImageView<const float> luma, ChartKind kind, const std::vector<Target>& targets) {
  if (kind == ChartKind::kCheckerboard) return checkerboard_method(luma, {}, targets);
  if (kind == ChartKind::kCoded)
    return checkerboard_method(luma, {.clear_share = detail::kCodedClearShare}, targets);
  const auto probe = [&](detail::Effort effort) {
    return kind == ChartKind::kLines ? detail::line_probe(luma, effort)
                                     : detail::dot_probe(luma, effort);
  };
  Method method{probe(detail::Effort::kSearch), probe(detail::Effort::kBest), {}};
  method.sampled = sample(targets, method.search);
  return method;
}

}  // namespace

Result<std::vector<std::optional<Corner>>> measure_again(ImageView<const float> luma,
                                                         const Chart& chart,
                                                         std::span<const Corner> corners,
                                                         const ImageFromChart& image_from_chart) {
  if (auto checked = check_detection_input(luma, chart, {}); !checked) return fail(checked.error());
  std::vector<std::optional<Corner>> result(corners.size());
  const std::vector<Target> targets = targets_of(corners, chart, image_from_chart);
  const Method method = method_of(luma, chart.kind, targets);
  if (method.sampled.size() == 0) return result;
  const Looks common = looks_of(method.sampled);
  const Lattice first = measured(targets, method.search, [&](const Target& target) {
    Looks looks = common;
    looks.width_px *= step_px(target.at);
    return looks;
  });
  if (first.size() == 0) return result;
  // Blur and light change over a frame.
  const Lattice last = measured(targets, method.best, [&](const Target& target) {
    return looks_near(first, target.place, 1);
  });
  for (const Target& target : targets) {
    const Node* node = last.find(target.place);
    if (node == nullptr) continue;
    const Eigen::Vector3d& p_mm = corners[target.index].p_chart_mm;
    result[target.index] = detail::corner_of(*node, p_mm.x(), p_mm.y());
    result[target.index]->p_chart_mm.z() = p_mm.z();
  }
  return result;
}

}  // namespace trueplate::target
