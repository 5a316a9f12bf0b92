#include "calib/target/line_crossing.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "calib/target/detail/crossing_guess.h"
#include "calib/target/detail/line_crossing_model.h"
#include "calib/target/detail/line_offset.h"
#include "calib/target/detail/mark_fit.h"
#include "calib/target/detail/pixel_window.h"

namespace trueplate::target {
namespace {

using detail::FitPixel;
using Model = detail::LineCrossingModel;
using Base = detail::MarkFit<Model, detail::LineShapes>;

constexpr double kMinStepPx = 4.0;
constexpr double kMinWidthPx = 0.2;
constexpr double kMostWidthShare = 0.6;  // of the shorter step
constexpr double kMostBlurShare = 0.3;
constexpr int kMinPixels = 30;
constexpr int kFirstPixels = 450;            // about, of the first window
constexpr double kMinFirstSeparation = 0.1;  // at the guess; below, no fit is tried
constexpr std::array<double, 3> kFirstBlursPx = {0.7, 1.6, 4.0};
constexpr std::array<double, 5> kFirstWidthsPx = {1.5, 3.0, 6.0, 12.0, 24.0};
constexpr double kPriorWidth = 0.4;       // of the logarithms of blur and width
constexpr double kContrastSlope = 0.004;  // expected of the change of contrast, share per px
constexpr double kMostReachPx = 80.0;     // bounds the time for a hopeless blur

class LineCrossingFit : Base {
 public:
  LineCrossingFit(ImageView<const float> image,
                  const LineCrossingGuess& guess,
                  const LineCrossingOptions& options)
      : Base("crossing",
             guess.p_px,
             {{guess.curvature_u, guess.curvature_v}, guess.taper_u, guess.taper_v}),
        image_(image),
        guess_(guess),
        options_(options),
        shorter_px_(std::min(guess.step_u_px.norm(), guess.step_v_px.norm())) {
    p_[Model::kAngleU] = detail::angle_of(guess.step_u_px);
    p_[Model::kAngleV] = detail::angle_of(guess.step_v_px);
  }

  Result<LineCrossing> run() {
    if (Result<void> begun = begin(); !begun) return fail(begun.error());
    const Rules rules = this->rules();
    const bool searching = options_.most_pixels > 0;
    const double enough_px = searching ? detail::kSearchConvergedPx : detail::kConvergedPx;
    // Twice: the window depends on place, blur and width.
    for (int round = 0; round < 2; ++round) {
      if (round > 0) {
        if (Result<void> taken = take_window(options_.max_reach_px, options_.most_pixels); !taken)
          return fail(taken.error());
      }
      if (Result<void> found = minimise(rules,
                                        round == 0 ? detail::kNearPx : enough_px,
                                        options_.max_move_share * shorter_px_);
          !found)
        return fail(found.error());
      if (!detail::well_apart(p_[Model::kAngleU], p_[Model::kAngleV]))
        return refuse("the lines are nearly parallel");
    }
    if (Result<void> converged =
            check_converged(searching ? detail::kSearchCreepPx : detail::kCreepPx);
        !converged)
      return fail(converged.error());
    return measured(rules);
  }

 private:
  // The first pixels and the start of the unknowns.
  Result<void> begin() {
    const double width = guess_.width_px > 0.0 ? guess_.width_px : 0.1 * shorter_px_;
    p_[Model::kLogBlur] = log_blur(guess_.blur_px > 0.0 ? guess_.blur_px : 1.0);
    p_[Model::kLogWidthU] = p_[Model::kLogWidthV] = log_width(width);
    align(std::min(kMostReachPx, options_.max_move_share * shorter_px_ + width));
    // Lines of unknown width need a window that shows the fields beside them.
    const double reach = guess_.width_px > 0.0 ? options_.max_reach_px
                                               : std::max(options_.max_reach_px, 0.5 * shorter_px_);
    if (Result<void> taken = take_window(reach, kFirstPixels); !taken) return taken;
    choose_start([&](const auto& try_start) { try_shapes(try_start); });
    const double found = separation();
    if (found >= kMinFirstSeparation) return {};
    return refuse(fmt::format(
        "no two lines; found a separation of {:.2f}, need {:.2f}", found, kMinFirstSeparation));
  }

  // Moves the start onto the lines.
  void align(double range_px) {
    const Point2d u(std::cos(p_[Model::kAngleU]), std::sin(p_[Model::kAngleU]));
    const Point2d v(std::cos(p_[Model::kAngleV]), std::sin(p_[Model::kAngleV]));
    const double off_u =
        detail::offset_of_line(image_, guess_.p_px, u, 0.4 * guess_.step_u_px.norm(), range_px);
    const double off_v =
        detail::offset_of_line(image_, guess_.p_px, v, 0.4 * guess_.step_v_px.norm(), range_px);
    // n_u . move = off_u and n_v . move = off_v.
    const Point2d n_u(-u.y(), u.x());
    const Point2d n_v(-v.y(), v.x());
    const double det = n_u.x() * n_v.y() - n_u.y() * n_v.x();
    p_[Model::kX] = (off_u * n_v.y() - off_v * n_u.y()) / det;
    p_[Model::kY] = (n_u.x() * off_v - n_v.x() * off_u) / det;
  }

  // Several of what is not known of blur and width.
  template <class TryStart>
  void try_shapes(const TryStart& try_start) const {
    Unknowns start = p_;
    for (const double blur : kFirstBlursPx) {
      if (guess_.blur_px <= 0.0 && blur > std::max(1.0, 0.2 * shorter_px_)) break;
      for (const double width : kFirstWidthsPx) {
        if (guess_.width_px <= 0.0 && width > std::max(2.0, 0.4 * shorter_px_)) break;
        start[Model::kLogBlur] = log_blur(guess_.blur_px > 0.0 ? guess_.blur_px : blur);
        start[Model::kLogWidthU] = start[Model::kLogWidthV] =
            log_width(guess_.width_px > 0.0 ? guess_.width_px : width);
        try_start(start);
        if (guess_.width_px > 0.0) break;
      }
      if (guess_.blur_px > 0.0) break;
    }
  }

  static double log_blur(double px) { return std::log(std::max(detail::kMinBlurPx, px)); }
  static double log_width(double px) { return std::log(std::max(kMinWidthPx, px)); }

  Result<void> take_window(double max_reach_px, int most_pixels) {
    return take(
        detail::pixels_in(image_, window(max_reach_px), start_px_, most_pixels, guess_.blur_px),
        kMinPixels);
  }

  // Half-lengths along a line end where the blurred line through the neighbour begins.
  [[nodiscard]] detail::PixelWindow window(double max_reach_px) const {
    const double sine = detail::bounded_sine(p_[Model::kAngleU], p_[Model::kAngleV]);
    const double blur = std::exp(p_[Model::kLogBlur]);
    // Along u it is line v that fills the middle, and the next one that bounds the window.
    const auto reach = [&](double step, double width) {
      const double edge = 0.5 * width / sine;
      const double want =
          std::min(kMostReachPx, std::max(max_reach_px, edge + 3.5 * blur / sine + 2.0));
      const double free = step - edge - 3.0 * blur / sine;
      return std::min(want, std::max(free, 0.5 * step));
    };
    return {.center_px = place_px(),
            .angle_u = p_[Model::kAngleU],
            .angle_v = p_[Model::kAngleV],
            .reach_u_px = reach(guess_.step_u_px.norm(), std::exp(p_[Model::kLogWidthV])),
            .reach_v_px = reach(guess_.step_v_px.norm(), std::exp(p_[Model::kLogWidthU]))};
  }

  [[nodiscard]] Rules rules() const {
    Rules rules;
    rules[Model::kX].most_step = rules[Model::kY].most_step = 1.0;
    rules[Model::kAngleU].most_step = rules[Model::kAngleV].most_step = 0.2;
    rules[Model::kLogBlur] = {
        .low = std::log(detail::kMinBlurPx),
        .high = std::log(shorter_px_),
        .most_step = 0.5,
        .prior = p_[Model::kLogBlur],
        .prior_width = guess_.blur_px > 0.0 ? kPriorWidth : 2.0 * kPriorWidth};
    for (const int i : {Model::kLogWidthU, Model::kLogWidthV})
      rules[static_cast<std::size_t>(i)] = {
          .low = std::log(kMinWidthPx),
          .high = std::log(kMostWidthShare * shorter_px_),
          .most_step = 0.5,
          .prior = p_[i],
          .prior_width = guess_.width_px > 0.0 ? kPriorWidth : 2.0 * kPriorWidth};
    // A thin blurred line on a slope of light resembles a line that has moved: the slope has to be
    // no steeper than light is.
    for (const int i : {Model::kBx, Model::kBy})
      rules[static_cast<std::size_t>(i)].prior_width = std::abs(p_[Model::kB]) * kContrastSlope;
    return rules;
  }

  // What the pixels show in the four arms of the lines and in the four fields between them.
  struct Sums {
    std::array<double, 4> arm_product{};  // of ink expected and seen
    std::array<double, 4> arm_square{};   // of ink expected
    std::array<double, 4> field_residual{};
    std::array<double, 4> field_weight{};
  };
  [[nodiscard]] Sums sums() const {
    const Model model(p_, known_);
    const double blur = std::exp(p_[Model::kLogBlur]);
    const double beyond_u_px = 0.5 * std::exp(p_[Model::kLogWidthU]) + 1.5 * blur;
    const double beyond_v_px = 0.5 * std::exp(p_[Model::kLogWidthV]) + 1.5 * blur;
    Sums sums;
    for (const FitPixel& pixel : pixels_) {
      const auto [h, k] = model.distances(pixel.x, pixel.y);
      const bool beyond_u = std::abs(h) > beyond_u_px;
      const bool beyond_v = std::abs(k) > beyond_v_px;
      const double s = model.ink(pixel.x, pixel.y);
      const double paper = p_[Model::kA] + p_[Model::kAx] * pixel.x + p_[Model::kAy] * pixel.y;
      const double amplitude = p_[Model::kB] + p_[Model::kBx] * pixel.x + p_[Model::kBy] * pixel.y;
      const double seen = pixel.value - paper;
      if (beyond_u && beyond_v) {
        const auto field = static_cast<std::size_t>((h > 0.0 ? 1 : 0) + (k > 0.0 ? 2 : 0));
        sums.field_residual[field] += pixel.weight * (seen - amplitude * s);
        sums.field_weight[field] += pixel.weight;
      } else if (beyond_u != beyond_v) {
        // Beyond v: on line u, towards +u where k is positive.
        const auto arm = static_cast<std::size_t>(beyond_v ? (k > 0.0 ? 1 : 0) : (h > 0.0 ? 3 : 2));
        sums.arm_product[arm] += pixel.weight * s * seen;
        sums.arm_square[arm] += pixel.weight * s * s;
      }
    }
    return sums;
  }

  // Share of the line's ink that is seen at its middle, where the blur is as wide as the line.
  [[nodiscard]] double peak(Model::Unknown log_width) const {
    return std::erf(0.5 * std::exp(p_[log_width]) / std::exp(p_[Model::kLogBlur]) / std::sqrt(2.0));
  }

  // See LineCrossing::separation.
  [[nodiscard]] double separation() const {
    const Sums sums = this->sums();
    double weakest = 1e9;
    for (std::size_t i = 0; i < 4; ++i) {
      if (!(sums.arm_square[i] > 0.0)) return 0.0;  // an arm without pixels: no proof of a crossing
      weakest = std::min(weakest, sums.arm_product[i] / sums.arm_square[i] / amplitude());
    }
    // What the paper's unevenness is compared with: a thin line is not as dark as its ink.
    const double visible =
        std::abs(amplitude()) * std::min(peak(Model::kLogWidthU), peak(Model::kLogWidthV));
    double uneven = 0.0;
    for (std::size_t i = 0; i < 4; ++i) {
      if (!(sums.field_weight[i] > 0.0)) return 0.0;
      uneven = std::max(uneven, std::abs(sums.field_residual[i] / sums.field_weight[i]) / visible);
    }
    return weakest - uneven;
  }

  // The result, where it is good.
  [[nodiscard]] Result<LineCrossing> measured(const Rules& rules) const {
    LineCrossing crossing;
    describe(amplitude() * Model(p_, known_).ink(p_[Model::kX], p_[Model::kY]), crossing);
    crossing.direction_u = {std::cos(p_[Model::kAngleU]), std::sin(p_[Model::kAngleU])};
    crossing.direction_v = {std::cos(p_[Model::kAngleV]), std::sin(p_[Model::kAngleV])};
    crossing.width_u_px = std::exp(p_[Model::kLogWidthU]);
    crossing.width_v_px = std::exp(p_[Model::kLogWidthV]);
    if (Result<void> fits = check_misfit(crossing, options_.max_misfit); !fits)
      return fail(fits.error());
    crossing.separation = separation();
    if (!(crossing.separation >= options_.min_separation))
      return refuse(crossing.p_px,
                    fmt::format("not four arms of two lines; found a separation of {:.2f}, "
                                "need {:.2f}",
                                crossing.separation,
                                options_.min_separation));
    if (crossing.blur_px > kMostBlurShare * shorter_px_)
      return refuse(crossing.p_px,
                    fmt::format("blur {:.1f} px, at most {:.1f} px for fields this size",
                                crossing.blur_px,
                                kMostBlurShare * shorter_px_));
    if (Result<void> known = add_covariance(rules, crossing); !known) return fail(known.error());
    return crossing;
  }

  ImageView<const float> image_;
  const LineCrossingGuess& guess_;
  const LineCrossingOptions& options_;
  double shorter_px_;  // of the two steps
};

}  // namespace

double LineCrossing::sigma_px() const { return std::sqrt(0.5 * covariance_px2.trace()); }

Result<LineCrossing> fit_line_crossing(ImageView<const float> image,
                                       const LineCrossingGuess& guess,
                                       const LineCrossingOptions& options) {
  if (Result<void> sound = detail::check_crossing_guess("fit_line_crossing",
                                                        image,
                                                        guess.p_px,
                                                        guess.step_u_px,
                                                        guess.step_v_px,
                                                        {guess.curvature_u,
                                                         guess.curvature_v,
                                                         guess.taper_u,
                                                         guess.taper_v,
                                                         guess.blur_px,
                                                         guess.width_px},
                                                        kMinStepPx);
      !sound)
    return fail(sound.error());
  return LineCrossingFit(image, guess, options).run();
}

}  // namespace trueplate::target
