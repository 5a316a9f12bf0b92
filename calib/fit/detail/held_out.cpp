#include "calib/fit/detail/held_out.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <numeric>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/fit/detail/adjust_chart.h"

namespace trueplate::fit::detail {
namespace {

// Halves smaller than this do not hold a pose with any redundancy.
constexpr std::size_t kSmallestHalf = 6;

struct Sum {
  double squares = 0.0;
  double expected = 0.0;  // of squares, for unit noise per coordinate and a perfect lens
  double points = 0.0;

  void operator+=(const Sum& other) {
    squares += other.squares;
    expected += other.expected;
    points += other.points;
  }
};

ViewPoints subset(const ViewPoints& view, std::span<const std::size_t> which) {
  ViewPoints result;
  for (std::size_t i : which) result.append(view, i);
  return result;
}

/// A fixed shuffle (a rule such as "every other corner" would take whole columns of some charts).
std::vector<std::size_t> shuffled(std::size_t count) {
  std::vector<std::size_t> order(count);
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::uint64_t state = 0x9e3779b97f4a7c15ULL;
  for (std::size_t i = count; i > 1; --i) {
    // Knuth's multiplicative generator for 64 bits; its high bits are good enough for a shuffle.
    state = state * 6364136223846793005ULL + 1442695040888963407ULL;
    std::swap(order[i - 1], order[(state >> 33) % i]);
  }
  return order;
}

Sum judge(const ModelKernel& kernel,
          const ViewPoints& view,
          const Eigen::VectorXd& intrinsics,
          const Pose& start) {
  Sum sum;
  if (view.size() < 2 * kSmallestHalf) return sum;
  const std::vector<std::size_t> order = shuffled(view.size());
  const std::size_t half = view.size() / 2;
  const std::span<const std::size_t> all(order);
  const ViewPoints halves[2] = {subset(view, all.first(half)), subset(view, all.subspan(half))};
  for (int side = 0; side < 2; ++side) {
    Pose pose = start;
    if (!adjust_pose(kernel, halves[side], intrinsics, 0.0, pose)) continue;
    const ViewPoints& other = halves[1 - side];
    const auto residuals = residuals_of(kernel, other, intrinsics, pose);
    if (!residuals) continue;
    for (std::size_t i = 0; i < other.size(); ++i) {
      const double scale = 1.0 / other.root_weight[i];
      sum.squares += scale * scale *
                     ((*residuals)[2 * i] * (*residuals)[2 * i] +
                      (*residuals)[2 * i + 1] * (*residuals)[2 * i + 1]);
    }
    // Six numbers spread over the corners that gave the pose; their share of the noise is about
    // the same on the corners in between.
    const double leverage = 0.5 * kNumPose / static_cast<double>(halves[side].size());
    sum.points += static_cast<double>(other.size());
    sum.expected += 2.0 * static_cast<double>(other.size()) * (1.0 + leverage);
  }
  return sum;
}

/// The lens, and where the chart's points are, as the views of a fold have them.
struct Learned {
  Eigen::VectorXd intrinsics;
  std::vector<Eigen::Vector3d> positions;  // empty: as in the views
};

std::optional<Learned> learn(const ModelKernel& kernel,
                             std::span<const ViewPoints* const> views,
                             int num_fixed,
                             const ChartModel* chart,
                             Adjusted state) {
  // A loose stop: the judgement needs two or three digits.
  const AdjustOptions options{.num_fixed = num_fixed, .cost_tolerance = 1e-6, .max_iterations = 50};
  if (chart != nullptr) {
    // From a chart as described: nothing of the other views may be left in the values.
    ChartValues values = chart->zero();
    if (!adjust_with_chart(kernel, views, *chart, options, state, values).converged) {
      return std::nullopt;
    }
    return Learned{std::move(state.intrinsics), chart->positions(values)};
  }
  if (!adjust(kernel, views, options, state).converged) return std::nullopt;
  if (!inverse_information(kernel, views, num_fixed, state)) return std::nullopt;
  return Learned{std::move(state.intrinsics), {}};
}

}  // namespace

std::optional<HeldOut> held_out(const ModelKernel& kernel,
                                std::span<const ViewPoints* const> views,
                                const Adjusted& fitted,
                                int num_fixed,
                                int num_folds,
                                int threads,
                                const ChartModel* chart) {
  const std::size_t folds = std::min(static_cast<std::size_t>(num_folds), views.size());
  if (folds < 2) return std::nullopt;
  std::vector<Sum> sums(views.size());
  parallel_rows(static_cast<int>(folds), threads, [&](int begin, int end) {
    for (std::size_t fold = static_cast<std::size_t>(begin); fold < static_cast<std::size_t>(end);
         ++fold) {
      const std::size_t first = fold * views.size() / folds;
      const std::size_t last = (fold + 1) * views.size() / folds;
      std::vector<const ViewPoints*> others;
      Adjusted state{.intrinsics = fitted.intrinsics, .poses = {}};
      for (std::size_t i = 0; i < views.size(); ++i) {
        if (i >= first && i < last) continue;
        others.push_back(views[i]);
        state.poses.push_back(fitted.poses[i]);
      }
      const std::optional<Learned> learned =
          learn(kernel, others, num_fixed, chart, std::move(state));
      if (!learned) continue;
      for (std::size_t i = first; i < last; ++i) {
        ViewPoints view = *views[i];
        if (chart != nullptr) set_positions(learned->positions, view);
        sums[i] = judge(kernel, view, learned->intrinsics, fitted.poses[i]);
      }
    }
  });
  HeldOut result;
  Sum total;
  for (const Sum& sum : sums) {
    total += sum;
    result.view_squares.push_back(sum.points > 0.0 ? sum.squares
                                                   : std::numeric_limits<double>::quiet_NaN());
  }
  if (!(total.points > 0.0)) return std::nullopt;
  result.rms_px = std::sqrt(total.squares / total.points);
  result.per_noise = std::sqrt(total.expected / total.points);
  return result;
}

}  // namespace trueplate::fit::detail
