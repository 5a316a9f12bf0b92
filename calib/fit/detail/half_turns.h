#pragma once

#include <vector>

#include "calib/fit/closed_form.h"
#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/chart_choice.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

/// Reading a chart upside down: by half a turn about the middle of its extent every point takes the
/// place of another.
class HalfTurn {
 public:
  explicit HalfTurn(const ChartSites& sites);

  /// Whether every point has one opposite.
  [[nodiscard]] bool possible() const { return !opposite_.empty(); }
  [[nodiscard]] int opposite(int site) const { return opposite_[static_cast<std::size_t>(site)]; }
  /// The view's corners with the numbers and described places of their opposites.
  void apply(ViewPoints& view) const;
  /// The pose that goes with such a view; its own inverse.
  [[nodiscard]] Pose apply(const Pose& camera_from_chart) const;

 private:
  const ChartSites* sites_;
  Eigen::Vector3d sum_mm_ = {0.0, 0.0, 0.0};  // of a point and its opposite
  std::vector<int> opposite_;
};

/// Which views have read a chart without a mark upside down, one entry per view; empty when nothing
/// says that any has. A print is never perfect: its errors, seen by a view that read it upside
/// down, are turned. Each view's residuals, as displacements on the print, are split into what
/// stays and what changes its sign by half a turn; the signs that make the changing parts of all
/// views agree best are found by power iteration and then view by view. They count when the print's
/// errors fitted to views turned so explain more than signs chosen to fit noise would,
/// kTurnEvidence times.
[[nodiscard]] std::vector<char> find_half_turns(const ChartProblemSet& set,
                                                const HalfTurn& turn,
                                                const Adjusted& state);

inline constexpr double kTurnEvidence = 3.0;

}  // namespace trueplate::fit::detail
