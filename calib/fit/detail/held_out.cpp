#include "calib/fit/detail/held_out.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numeric>
#include <utility>

#include "calib/base/parallel.h"

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
  for (std::size_t i : which) {
    result.chart_mm.insert(result.chart_mm.end(), &view.chart_mm[3 * i], &view.chart_mm[3 * i] + 3);
    result.plate_px.insert(result.plate_px.end(), &view.plate_px[2 * i], &view.plate_px[2 * i] + 2);
    result.root_weight.push_back(view.root_weight[i]);
  }
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

}  // namespace

std::optional<HeldOut> held_out(const ModelKernel& kernel,
                                std::span<const ViewPoints* const> views,
                                const Adjusted& fitted,
                                bool fix_focal,
                                int num_folds,
                                int threads) {
  const std::size_t folds = std::min(static_cast<std::size_t>(num_folds), views.size());
  if (folds < 2) return std::nullopt;
  std::vector<Sum> sums(folds);
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
      // A loose stop: the judgement needs two or three digits.
      const AdjustOptions options{
          .fix_focal = fix_focal, .cost_tolerance = 1e-6, .max_iterations = 50};
      if (!adjust(kernel, others, options, state).converged) continue;
      if (!inverse_information(kernel, others, fix_focal, state)) continue;
      for (std::size_t i = first; i < last; ++i) {
        sums[fold] += judge(kernel, *views[i], state.intrinsics, fitted.poses[i]);
      }
    }
  });
  Sum total;
  for (const Sum& sum : sums) total += sum;
  if (!(total.points > 0.0)) return std::nullopt;
  return HeldOut{.rms_px = std::sqrt(total.squares / total.points),
                 .per_noise = std::sqrt(total.expected / total.points)};
}

}  // namespace trueplate::fit::detail
