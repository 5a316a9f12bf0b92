#pragma once

#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/target/detail/pixel_fit.h"

namespace trueplate::target::detail {

inline constexpr double kMinBlurPx = 0.288675;  // what a pixel's own area causes, sqrt(1/12)
inline constexpr double kNearPx = 0.05;         // the first round's window needs no better
inline constexpr double kConvergedPx = 1e-3;
inline constexpr double kSearchConvergedPx = 0.02;  // of a search
// A fit that still moves by less than kCreepPx after the last iteration is kept, and its standard
// deviation enlarged by kCreepFactor steps.
inline constexpr double kCreepPx = 0.02;
inline constexpr double kSearchCreepPx = 0.3;
inline constexpr double kCreepFactor = 5.0;

/// One mark of a chart while it is fitted to the pixels around it: what corners, crossings of lines
/// and dots have in common beyond PixelFit. A Model names the unknowns kX, kY, kLogBlur and those
/// of the light, kA, kAx, kAy, kB, kBx, kBy; its image is
///     A + A_x x + A_y y + (B + B_x x + B_y y) s + ...,
/// s the mark's shape. Refusals read "<kind> at (x, y): <why>".
template <class Model, class Known>
class MarkFit {
 public:
  using Fit = PixelFit<Model, Known>;
  using Unknowns = typename Model::Unknowns;
  using Rules = typename Fit::Rules;

  MarkFit(std::string_view kind, const Point2d& start_px, const Known& known)
      : kind_(kind), start_px_(start_px), known_(known) {}
  MarkFit(const MarkFit&) = delete;
  MarkFit& operator=(const MarkFit&) = delete;

 protected:
  ~MarkFit() = default;

  [[nodiscard]] Unexpected refuse(const Point2d& at, std::string_view why) const {
    return fail(ErrorCode::kNoChart,
                fmt::format("{} at ({:.1f}, {:.1f}): {}", kind_, at.x(), at.y(), why));
  }
  [[nodiscard]] Unexpected refuse(std::string_view why) const { return refuse(start_px_, why); }

  /// Makes these the pixels of the next round; the first ones set the scale of values as well.
  Result<void> take(std::vector<FitPixel> pixels, int least) {
    pixels_ = std::move(pixels);
    if (pixels_.size() < static_cast<std::size_t>(least))
      return refuse(fmt::format("found {} usable pixels, need {}", pixels_.size(), least));
    if (!(scale_.factor > 0.0)) scale_ = measure_scale(pixels_);
    if (!(scale_.factor > 0.0)) return refuse("no contrast");
    detail::apply(scale_, pixels_);
    return {};
  }

  /// Sets the unknowns to the start that suits the pixels best; `starts` calls what it is given
  /// with each of them, their linear unknowns left open.
  template <class Starts>
  void choose_start(const Starts& starts) {
    const Fit fit(pixels_, known_);
    Unknowns best = p_;
    double best_cost = std::numeric_limits<double>::infinity();
    starts([&](Unknowns start) {
      const double cost = fit.solve_linear(start);
      if (!(cost < best_cost)) return;
      best_cost = cost;
      best = start;
    });
    p_ = best;
  }

  /// Refused when the fit ends farther than `most_move_px` from the start.
  Result<void> minimise(const Rules& rules, double enough_px, double most_move_px) {
    outcome_ = Fit(pixels_, known_).minimise(rules, enough_px, p_);
    const double move = std::hypot(p_[Model::kX], p_[Model::kY]);
    if (move <= most_move_px) return {};
    return refuse(
        fmt::format("the fit moved {:.2f} px, at most {:.2f} px allowed", move, most_move_px));
  }

  Result<void> check_converged(double creep_px) {
    creeping_ = !outcome_.converged && outcome_.last_step_px < creep_px;
    if (outcome_.converged || creeping_) return {};
    return refuse("the fit did not converge");
  }

  [[nodiscard]] Point2d place_px() const {
    return start_px_ + Point2d(p_[Model::kX], p_[Model::kY]);
  }

  /// The factor of the shape at the mark, in the scale of the fit.
  [[nodiscard]] double amplitude() const {
    return p_[Model::kB] + p_[Model::kBx] * p_[Model::kX] + p_[Model::kBy] * p_[Model::kY];
  }

  /// Sets what every mark has but its covariance; `contrast` in the scale of the fit.
  template <class Mark>
  void describe(double contrast, Mark& mark) const {
    mark.p_px = place_px();
    mark.blur_px = std::exp(p_[Model::kLogBlur]);
    mark.level = scale_.offset + scale_.factor * (p_[Model::kA] + p_[Model::kAx] * p_[Model::kX] +
                                                  p_[Model::kAy] * p_[Model::kY]);
    mark.contrast = scale_.factor * contrast;
    mark.num_pixels = static_cast<int>(pixels_.size());
    mark.misfit = std::sqrt(outcome_.cost / Fit(pixels_, known_).sum_weight()) / std::abs(contrast);
  }

  template <class Mark>
  [[nodiscard]] Result<void> check_misfit(const Mark& mark, double max_misfit) const {
    if (mark.misfit <= max_misfit) return {};
    return refuse(mark.p_px,
                  fmt::format("residual {:.0f} % of the contrast, at most {:.0f} %",
                              100.0 * mark.misfit,
                              100.0 * max_misfit));
  }

  template <class Mark>
  [[nodiscard]] Result<void> add_covariance(const Rules& rules, Mark& mark) const {
    mark.covariance_px2 = Fit(pixels_, known_).position_covariance(p_, outcome_, rules);
    if (creeping_) {
      const double left = kCreepFactor * outcome_.last_step_px;
      mark.covariance_px2 += left * left * Eigen::Matrix2d::Identity();
    }
    if (mark.covariance_px2.allFinite()) return {};
    return refuse(mark.p_px, "the position is not determined");
  }

  std::string_view kind_;
  Point2d start_px_;
  Known known_;
  Unknowns p_ = Unknowns::Zero();  // the place relative to start_px_
  std::vector<FitPixel> pixels_;

 private:
  ValueScale scale_;
  typename Fit::Outcome outcome_;
  bool creeping_ = false;
};

}  // namespace trueplate::target::detail
