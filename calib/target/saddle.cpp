#include "calib/target/saddle.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "calib/target/detail/crossing_guess.h"
#include "calib/target/detail/mark_fit.h"
#include "calib/target/detail/pixel_window.h"
#include "calib/target/detail/saddle_model.h"

namespace trueplate::target {
namespace {

constexpr double kMinStepPx = 3.0;
constexpr int kMinPixels = 24;
constexpr double kMinFirstSeparation = 0.1;  // at the guess; below, no fit is tried
constexpr double kFirstReach = 0.65;         // share of max_reach_px
constexpr double kMostFirstReachPx = 16.0;
constexpr std::array<double, 4> kFirstBlursPx = {0.8, 2.0, 5.0, 12.0};
constexpr double kBlurPriorWidth = 0.5;
constexpr double kMostBlurShare = 0.4;  // of the shorter step
constexpr double kMostReachPx = 60.0;   // bounds the time for a hopeless blur
// What of the plain strip beside an edge stays in the window however strong the blur and small the
// square.
constexpr double kLeastClear = 0.8;
constexpr double kLeastClearPx = 2.2;

using detail::FitPixel;
using Model = detail::SaddleModel;
using Base = detail::MarkFit<Model, detail::Bends>;

class SaddleFit : Base {
 public:
  SaddleFit(ImageView<const float> image, const SaddleGuess& guess, const SaddleOptions& options)
      : Base("corner", guess.p_px, {guess.curvature_u, guess.curvature_v}),
        image_(image),
        guess_(guess),
        options_(options),
        shorter_px_(std::min(guess.step_u_px.norm(), guess.step_v_px.norm())) {
    p_[Model::kAngleU] = detail::angle_of(guess.step_u_px);
    p_[Model::kAngleV] = detail::angle_of(guess.step_v_px);
  }

  Result<Saddle> run() {
    if (Result<void> begun = begin(); !begun) return fail(begun.error());
    const Rules rules = this->rules();
    // Twice: the window depends on place and blur.
    for (int round = 0; round < 2; ++round) {
      if (round > 0) {
        if (Result<void> taken = take_window(options_.max_reach_px); !taken)
          return fail(taken.error());
      }
      if (Result<void> found = minimise(rules,
                                        round == 0 ? detail::kNearPx : detail::kConvergedPx,
                                        options_.max_move_share * shorter_px_);
          !found)
        return fail(found.error());
      if (!detail::well_apart(p_[Model::kAngleU], p_[Model::kAngleV]))
        return refuse("the edges are nearly parallel");
    }
    if (Result<void> converged = check_converged(detail::kCreepPx); !converged)
      return fail(converged.error());
    return measured(rules);
  }

 private:
  // The first pixels and the start of the unknowns.
  Result<void> begin() {
    // The first window is small to save time, yet has to hold the crossing if the guess is far off.
    const double reach = std::max(kFirstReach * options_.max_reach_px,
                                  std::min(kMostFirstReachPx, 0.3 * shorter_px_));
    if (Result<void> taken = take_window(reach); !taken) return taken;
    choose_start([&](const auto& try_start) {
      Unknowns start = p_;
      for (const double blur : kFirstBlursPx) {
        if (guess_.blur_px <= 0.0 && blur > std::max(1.0, 0.25 * shorter_px_)) break;
        start[Model::kLogBlur] = std::log(guess_.blur_px > 0.0 ? guess_.blur_px : blur);
        try_start(start);
        if (guess_.blur_px > 0.0) break;
      }
    });
    // Most places that are probed in vain, such as a chart's outer border, end here.
    return check_separation(start_px_, separation(), kMinFirstSeparation);
  }

  Result<void> take_window(double max_reach_px) {
    return take(detail::pixels_in(image_, window(max_reach_px), start_px_), kMinPixels);
  }

  // Half-lengths along an edge end where the blurred edge through the neighbour begins; away from
  // both edges the window ends where the squares are not plain.
  [[nodiscard]] detail::PixelWindow window(double max_reach_px) const {
    const double sine = detail::bounded_sine(p_[Model::kAngleU], p_[Model::kAngleV]);
    const double blur = std::exp(p_[Model::kLogBlur]);
    const double want = std::min(kMostReachPx, std::max(max_reach_px, 3.5 * blur / sine));
    const auto reach = [&](double step) {
      const double free = step - 2.5 * blur / sine;
      return std::min({want, 0.85 * step, std::max(free, 0.45 * step)});
    };
    const auto clear = [&](double step) {
      const double free = options_.clear_share * step;
      return std::max({free - 2.0 * blur / sine, kLeastClear * free, kLeastClearPx});
    };
    return {.center_px = place_px(),
            .angle_u = p_[Model::kAngleU],
            .angle_v = p_[Model::kAngleV],
            .reach_u_px = reach(guess_.step_u_px.norm()),
            .reach_v_px = reach(guess_.step_v_px.norm()),
            .clear_u_px = clear(guess_.step_u_px.norm()),
            .clear_v_px = clear(guess_.step_v_px.norm())};
  }

  [[nodiscard]] Rules rules() const {
    Rules rules;
    rules[Model::kX].most_step = rules[Model::kY].most_step =
        std::max(1.0, std::exp(p_[Model::kLogBlur]));
    rules[Model::kAngleU].most_step = rules[Model::kAngleV].most_step = 0.2;
    rules[Model::kLogBlur].low = std::log(detail::kMinBlurPx);
    rules[Model::kLogBlur].most_step = 0.5;
    if (guess_.blur_px > 0.0) {
      rules[Model::kLogBlur].prior = std::log(guess_.blur_px);
      rules[Model::kLogBlur].prior_width = kBlurPriorWidth;
    }
    return rules;
  }

  // How far apart the lighter two opposite sectors are from the darker two: the gap between the
  // darkest light and the lightest dark one, as a share of twice the contrast. 1 at a crossing,
  // about 0 at the corner of a single square, where three sectors share a colour.
  [[nodiscard]] double separation() const {
    const Model model(p_, known_);
    std::array<double, 4> sum{};
    std::array<double, 4> weight{};
    for (const FitPixel& pixel : pixels_) {
      const auto [h, k] = model.sides(pixel.x, pixel.y);
      if (std::abs(h) < 1.0 || std::abs(k) < 1.0) continue;
      const auto sector = static_cast<std::size_t>((h > 0.0 ? 1 : 0) + (k > 0.0 ? 2 : 0));
      sum[sector] += pixel.weight * pixel.value;
      weight[sector] += pixel.weight;
    }
    for (std::size_t i = 0; i < 4; ++i) {
      if (weight[i] < 1.0) return 0.0;  // a sector without pixels: no proof of a crossing
      sum[i] /= weight[i];
    }
    // Sectors 0 and 3 have sides of the same sign: s = +1 there.
    const double contrast = amplitude();
    const double gap = contrast > 0.0 ? std::min(sum[0], sum[3]) - std::max(sum[1], sum[2])
                                      : std::min(sum[1], sum[2]) - std::max(sum[0], sum[3]);
    return gap / (2.0 * std::abs(contrast));
  }

  [[nodiscard]] Result<void> check_separation(const Point2d& at, double found, double need) const {
    if (found >= need) return {};
    return refuse(at,
                  fmt::format("the four sectors do not alternate; found a separation of {:.2f}, "
                              "need {:.2f}",
                              found,
                              need));
  }

  // The result, where it is good.
  [[nodiscard]] Result<Saddle> measured(const Rules& rules) const {
    Saddle saddle;
    describe(amplitude(), saddle);
    saddle.direction_u = {std::cos(p_[Model::kAngleU]), std::sin(p_[Model::kAngleU])};
    saddle.direction_v = {std::cos(p_[Model::kAngleV]), std::sin(p_[Model::kAngleV])};
    if (Result<void> fits = check_misfit(saddle, options_.max_misfit); !fits)
      return fail(fits.error());
    saddle.separation = separation();
    if (Result<void> alternates =
            check_separation(saddle.p_px, saddle.separation, options_.min_separation);
        !alternates)
      return fail(alternates.error());
    if (saddle.blur_px > kMostBlurShare * shorter_px_)
      return refuse(saddle.p_px,
                    fmt::format("blur {:.1f} px, at most {:.1f} px for squares this size",
                                saddle.blur_px,
                                kMostBlurShare * shorter_px_));
    if (Result<void> known = add_covariance(rules, saddle); !known) return fail(known.error());
    return saddle;
  }

  ImageView<const float> image_;
  const SaddleGuess& guess_;
  const SaddleOptions& options_;
  double shorter_px_;  // of the two steps
};

}  // namespace

double Saddle::sigma_px() const { return std::sqrt(0.5 * covariance_px2.trace()); }

Result<Saddle> fit_saddle(ImageView<const float> image,
                          const SaddleGuess& guess,
                          const SaddleOptions& options) {
  if (Result<void> sound =
          detail::check_crossing_guess("fit_saddle",
                                       image,
                                       guess.p_px,
                                       guess.step_u_px,
                                       guess.step_v_px,
                                       {guess.curvature_u, guess.curvature_v, guess.blur_px},
                                       kMinStepPx);
      !sound)
    return fail(sound.error());
  return SaddleFit(image, guess, options).run();
}

}  // namespace trueplate::target
