#include "calib/target/saddle.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/target/detail/pixel_fit.h"
#include "calib/target/detail/pixel_window.h"
#include "calib/target/detail/saddle_model.h"

namespace trueplate::target {
namespace {

// Below this sine of the angle between the edges (17 degrees) a corner is too flat to measure.
constexpr double kMinSine = 0.3;
constexpr double kMinStepPx = 3.0;
constexpr double kMinBlurPx = 0.288675;  // what a pixel's own area causes, sqrt(1/12)
constexpr int kMinPixels = 24;
constexpr double kMinFirstSeparation = 0.1;  // at the guess; below, no fit is tried
constexpr double kFirstReach = 0.65;         // share of max_reach_px
constexpr double kMostFirstReachPx = 16.0;
constexpr std::array<double, 4> kFirstBlursPx = {0.8, 2.0, 5.0, 12.0};
// A fit that still moves by less than kCreepPx after the last iteration is kept, and its standard
// deviation enlarged by kCreepFactor steps.
constexpr double kCreepPx = 0.02;
constexpr double kCreepFactor = 5.0;
constexpr double kBlurPriorWidth = 0.5;
constexpr double kNearPx = 0.05;  // the first round's window needs no better
constexpr double kConvergedPx = 1e-3;
constexpr double kMostReachPx = 60.0;  // bounds the time for a hopeless blur
// What of the plain strip beside an edge stays in the window however strong the blur and small the
// square.
constexpr double kLeastClear = 0.8;
constexpr double kLeastClearPx = 2.2;

using detail::FitPixel;
using Model = detail::SaddleModel;
using Fit = detail::PixelFit<Model, detail::Bends>;
using Unknowns = Model::Unknowns;

// Half-lengths along an edge end where the blurred edge through the neighbour begins; away from
// both edges the window ends where the squares are not plain.
detail::PixelWindow window_of(const SaddleGuess& guess,
                              double max_reach_px,
                              double clear_share,
                              const Unknowns& p) {
  const double sine = std::max(kMinSine, std::sin(p[Model::kAngleV] - p[Model::kAngleU]));
  const double blur = std::exp(p[Model::kLogBlur]);
  const double want = std::min(kMostReachPx, std::max(max_reach_px, 3.5 * blur / sine));
  const auto reach = [&](double step) {
    const double free = step - 2.5 * blur / sine;
    return std::min({want, 0.85 * step, std::max(free, 0.45 * step)});
  };
  const auto clear = [&](double step) {
    const double free = clear_share * step;
    return std::max({free - 2.0 * blur / sine, kLeastClear * free, kLeastClearPx});
  };
  return {.center_px = guess.p_px + Point2d(p[Model::kX], p[Model::kY]),
          .angle_u = p[Model::kAngleU],
          .angle_v = p[Model::kAngleV],
          .reach_u_px = reach(guess.step_u_px.norm()),
          .reach_v_px = reach(guess.step_v_px.norm()),
          .clear_u_px = clear(guess.step_u_px.norm()),
          .clear_v_px = clear(guess.step_v_px.norm())};
}

// The blur that suits the pixels best, if none is known.
void start(const std::vector<FitPixel>& pixels,
           const detail::Bends& bends,
           const SaddleGuess& guess,
           double shorter,
           Unknowns& p) {
  const Fit fit(pixels, bends);
  Unknowns best = p;
  double best_cost = std::numeric_limits<double>::infinity();
  for (const double blur : kFirstBlursPx) {
    if (guess.blur_px <= 0.0 && blur > std::max(1.0, 0.25 * shorter)) break;
    p[Model::kLogBlur] = std::log(guess.blur_px > 0.0 ? guess.blur_px : blur);
    const double cost = fit.solve_linear(p);
    if (cost < best_cost) {
      best_cost = cost;
      best = p;
    }
    if (guess.blur_px > 0.0) break;
  }
  p = best;
}

Fit::Rules rules_of(const SaddleGuess& guess, const Unknowns& p) {
  Fit::Rules rules;
  rules[Model::kX].most_step = rules[Model::kY].most_step =
      std::max(1.0, std::exp(p[Model::kLogBlur]));
  rules[Model::kAngleU].most_step = rules[Model::kAngleV].most_step = 0.2;
  rules[Model::kLogBlur].low = std::log(kMinBlurPx);
  rules[Model::kLogBlur].most_step = 0.5;
  if (guess.blur_px > 0.0) {
    rules[Model::kLogBlur].prior = std::log(guess.blur_px);
    rules[Model::kLogBlur].prior_width = kBlurPriorWidth;
  }
  return rules;
}

// How far apart the lighter two opposite sectors are from the darker two: the gap between the
// darkest light and the lightest dark one, as a share of twice the contrast. 1 at a crossing, about
// 0 at the corner of a single square, where three sectors share a colour.
double separation_of(const std::vector<FitPixel>& pixels,
                     const detail::Bends& bends,
                     const Unknowns& p) {
  const Model model(p, bends);
  std::array<double, 4> sum{};
  std::array<double, 4> weight{};
  for (const FitPixel& pixel : pixels) {
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
  const double contrast =
      p[Model::kB] + p[Model::kBx] * p[Model::kX] + p[Model::kBy] * p[Model::kY];
  const double gap = contrast > 0.0 ? std::min(sum[0], sum[3]) - std::max(sum[1], sum[2])
                                    : std::min(sum[1], sum[2]) - std::max(sum[0], sum[3]);
  return gap / (2.0 * std::abs(contrast));
}

}  // namespace

double Saddle::sigma_px() const { return std::sqrt(0.5 * covariance_px2.trace()); }

Result<Saddle> fit_saddle(ImageView<const float> image,
                          const SaddleGuess& guess,
                          const SaddleOptions& options) {
  const double step_u = guess.step_u_px.norm();
  const double step_v = guess.step_v_px.norm();
  if (image.channels != 1)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("fit_saddle: found {} channels, need 1", image.channels));
  if (!guess.p_px.allFinite() || !(step_u >= kMinStepPx) || !(step_v >= kMinStepPx) ||
      !std::isfinite(step_u * step_v) || !std::isfinite(guess.curvature_u) ||
      !std::isfinite(guess.curvature_v) || !std::isfinite(guess.blur_px))
    return fail(ErrorCode::kInvalidInput,
                fmt::format("fit_saddle: the guess is not finite or its steps are below {} px",
                            kMinStepPx));
  Unknowns p = Unknowns::Zero();
  p[Model::kAngleU] = std::atan2(guess.step_u_px.y(), guess.step_u_px.x());
  p[Model::kAngleV] = std::atan2(guess.step_v_px.y(), guess.step_v_px.x());
  if (!(std::sin(p[Model::kAngleV] - p[Model::kAngleU]) >= kMinSine))
    return fail(ErrorCode::kInvalidInput,
                "fit_saddle: the steps are nearly parallel, or u to v turns anticlockwise");

  const auto where = [&](const Point2d& at) {
    return fmt::format("({:.1f}, {:.1f})", at.x(), at.y());
  };
  const double shorter = std::min(step_u, step_v);
  const auto too_few = [&](std::size_t count) {
    return fail(
        ErrorCode::kNoChart,
        fmt::format(
            "corner at {}: found {} usable pixels, need {}", where(guess.p_px), count, kMinPixels));
  };

  // The first window is small to save time, yet has to hold the crossing if the guess is far off.
  const double first_reach =
      std::max(kFirstReach * options.max_reach_px, std::min(kMostFirstReachPx, 0.3 * shorter));
  const detail::Bends bends{guess.curvature_u, guess.curvature_v};
  std::vector<FitPixel> pixels =
      detail::pixels_in(image, window_of(guess, first_reach, options.clear_share, p), guess.p_px);
  if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few(pixels.size());
  const detail::ValueScale scale = detail::measure_scale(pixels);
  if (!(scale.factor > 0.0))
    return fail(ErrorCode::kNoChart, fmt::format("corner at {}: no contrast", where(guess.p_px)));
  detail::apply(scale, pixels);
  start(pixels, bends, guess, shorter, p);
  const auto not_alternating = [&](const Point2d& at, double found, double need) {
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the four sectors do not alternate; found a separation "
                            "of {:.2f}, need {:.2f}",
                            where(at),
                            found,
                            need));
  };
  // Most places that are probed in vain, such as a chart's outer border, end here.
  const double first_separation = separation_of(pixels, bends, p);
  if (!(first_separation >= kMinFirstSeparation))
    return not_alternating(guess.p_px, first_separation, kMinFirstSeparation);

  const Fit::Rules rules = rules_of(guess, p);
  Fit::Outcome outcome;
  // Twice: the window depends on place and blur.
  for (int round = 0; round < 2; ++round) {
    if (round > 0) {
      pixels = detail::pixels_in(
          image, window_of(guess, options.max_reach_px, options.clear_share, p), guess.p_px);
      if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few(pixels.size());
      detail::apply(scale, pixels);
    }
    outcome = Fit(pixels, bends).minimise(rules, round == 0 ? kNearPx : kConvergedPx, p);
    const Point2d move(p[Model::kX], p[Model::kY]);
    if (!(move.norm() <= options.max_move_share * shorter))
      return fail(ErrorCode::kNoChart,
                  fmt::format("corner at {}: the fit moved {:.2f} px, at most {:.2f} px allowed",
                              where(guess.p_px),
                              move.norm(),
                              options.max_move_share * shorter));
    if (!(std::sin(p[Model::kAngleV] - p[Model::kAngleU]) >= kMinSine))
      return fail(ErrorCode::kNoChart,
                  fmt::format("corner at {}: the edges are nearly parallel", where(guess.p_px)));
  }
  const bool creeping = !outcome.converged && outcome.last_step_px < kCreepPx;
  if (!outcome.converged && !creeping)
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the fit did not converge", where(guess.p_px)));

  const Fit fit(pixels, bends);
  Saddle saddle;
  saddle.p_px = guess.p_px + Point2d(p[Model::kX], p[Model::kY]);
  saddle.direction_u = {std::cos(p[Model::kAngleU]), std::sin(p[Model::kAngleU])};
  saddle.direction_v = {std::cos(p[Model::kAngleV]), std::sin(p[Model::kAngleV])};
  saddle.blur_px = std::exp(p[Model::kLogBlur]);
  const double contrast =
      p[Model::kB] + p[Model::kBx] * p[Model::kX] + p[Model::kBy] * p[Model::kY];
  saddle.level = scale.offset + scale.factor * (p[Model::kA] + p[Model::kAx] * p[Model::kX] +
                                                p[Model::kAy] * p[Model::kY]);
  saddle.contrast = scale.factor * contrast;
  saddle.num_pixels = static_cast<int>(pixels.size());
  saddle.misfit = std::sqrt(outcome.cost / fit.sum_weight()) / std::abs(contrast);
  if (!(saddle.misfit <= options.max_misfit))
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: residual {:.0f} % of the contrast, at most {:.0f} %",
                            where(saddle.p_px),
                            100.0 * saddle.misfit,
                            100.0 * options.max_misfit));
  saddle.separation = separation_of(pixels, bends, p);
  if (!(saddle.separation >= options.min_separation))
    return not_alternating(saddle.p_px, saddle.separation, options.min_separation);
  if (saddle.blur_px > 0.4 * shorter)
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: blur {:.1f} px, at most {:.1f} px for squares this size",
                            where(saddle.p_px),
                            saddle.blur_px,
                            0.4 * shorter));
  saddle.covariance_px2 = fit.position_covariance(p, outcome, rules);
  if (creeping) {
    const double left = kCreepFactor * outcome.last_step_px;
    saddle.covariance_px2 += left * left * Eigen::Matrix2d::Identity();
  }
  if (!saddle.covariance_px2.allFinite())
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the position is not determined", where(saddle.p_px)));
  return saddle;
}

}  // namespace trueplate::target
