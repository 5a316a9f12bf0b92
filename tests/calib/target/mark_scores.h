#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <map>
#include <utility>
#include <vector>

#include "calib/target/detection.h"
#include "tests/support/chart_render.h"

namespace trueplate::tests {

/// How a detection compares with the truth of a rendered chart.
struct MarkScore {
  int visible = 0;  // points of the chart inside the frame by the margin and not covered
  int found = 0;    // of these
  int total = 0;    // points returned
  int wrong = 0;    // points whose column and row contradict the others'
  double sum2 = 0.0;
  double worst = 0.0;
  Point2d sum = {0.0, 0.0};
  double normalised = 0.0;  // sum of |error|^2 / (2 sigma^2)

  [[nodiscard]] double share() const { return visible > 0 ? 1.0 * found / visible : 0.0; }
  [[nodiscard]] double rms() const { return total > 0 ? std::sqrt(sum2 / total) : 1e9; }
  [[nodiscard]] double bias() const { return total > 0 ? (sum / total).norm() : 0.0; }
  [[nodiscard]] double chi2() const { return total > 0 ? normalised / total : 0.0; }
};

/// Indices on a grid of half pitches, which suits all kinds.
inline std::pair<int, int> half_index(const ChartScene& scene, int i) {
  const int column = i % scene.columns;
  const int row = i / scene.columns;
  if (scene.pattern == Pattern::kDotsStaggered) return {2 * column + row % 2, row};
  return {2 * column, 2 * row};
}

/// Whether columns and rows have to be those of the print, or may count from another point and
/// along other sides of it.
enum class Indices { kOfThePrint, kUpToTurnAndShift };

/// `pitch_mm` is the pitch the chart was detected with.
inline MarkScore score_marks(const std::vector<target::Corner>& corners,
                             const ChartScene& scene,
                             const RenderedChart& chart,
                             double pitch_mm,
                             double margin_px,
                             Indices indices = Indices::kUpToTurnAndShift) {
  MarkScore score;
  const auto& truth = chart.corners_px;
  std::vector<bool> visible(truth.size(), false);
  for (std::size_t i = 0; i < truth.size(); ++i) {
    const Point2d& p = truth[i];
    visible[i] = p.x() > margin_px && p.y() > margin_px && p.x() < scene.width - margin_px &&
                 p.y() < scene.height - margin_px;
    for (const Cover& cover : scene.covers)
      if (p.x() > cover.x - margin_px && p.x() < cover.x + cover.width + margin_px &&
          p.y() > cover.y - margin_px && p.y() < cover.y + cover.height + margin_px)
        visible[i] = false;
    if (visible[i]) ++score.visible;
  }
  // Every point belongs to the nearest true one; which quarter turn and shift of the indices most
  // agree on, and who does not.
  std::vector<std::size_t> nearest;
  for (const target::Corner& corner : corners) {
    std::size_t best = 0;
    for (std::size_t i = 1; i < truth.size(); ++i)
      if ((truth[i] - corner.p_plate_px).squaredNorm() <
          (truth[best] - corner.p_plate_px).squaredNorm())
        best = i;
    nearest.push_back(best);
  }
  using Shift = std::array<int, 3>;
  std::map<Shift, int> votes;
  const auto shift_of = [&](std::size_t k, int turn) -> Shift {
    int u = static_cast<int>(std::lround(2.0 * corners[k].p_chart_mm.x() / pitch_mm));
    int v = static_cast<int>(std::lround(2.0 * corners[k].p_chart_mm.y() / pitch_mm));
    for (int t = 0; t < turn; ++t) {
      const int old = u;
      u = -v;
      v = old;
    }
    const auto [tu, tv] = half_index(scene, static_cast<int>(nearest[k]));
    return {turn, tu - u, tv - v};
  };
  for (std::size_t k = 0; k < corners.size(); ++k)
    for (int turn = 0; turn < 4; ++turn) ++votes[shift_of(k, turn)];
  Shift most{};
  int most_votes = 0;
  for (const auto& [shift, count] : votes) {
    if (indices == Indices::kOfThePrint) break;
    if (count <= most_votes) continue;
    most_votes = count;
    most = shift;
  }
  std::vector<bool> seen(truth.size(), false);
  for (std::size_t k = 0; k < corners.size(); ++k) {
    const Point2d error = corners[k].p_plate_px - truth[nearest[k]];
    ++score.total;
    if (shift_of(k, most[0]) != most || seen[nearest[k]] || error.norm() > 3.0) {
      ++score.wrong;
      continue;
    }
    seen[nearest[k]] = true;
    if (visible[nearest[k]]) ++score.found;
    score.sum2 += error.squaredNorm();
    score.worst = std::max(score.worst, error.norm());
    score.sum += error;
    score.normalised += error.squaredNorm() / (2.0 * corners[k].sigma_px * corners[k].sigma_px);
  }
  return score;
}

inline void print(const char* name, const MarkScore& s) {
  std::printf(
      "%-46s found %4d of %4d (%d in all), wrong %d | rms %.4f worst %.3f bias %.4f chi2 "
      "%.2f\n",
      name,
      s.found,
      s.visible,
      s.total,
      s.wrong,
      s.rms(),
      s.worst,
      s.bias(),
      s.chi2());
}

}  // namespace trueplate::tests
