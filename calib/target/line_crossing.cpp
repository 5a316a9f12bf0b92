#include "calib/target/line_crossing.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/target/detail/line_crossing_model.h"
#include "calib/target/detail/pixel_fit.h"
#include "calib/target/detail/pixel_window.h"

namespace trueplate::target {
namespace {

using detail::FitPixel;
using Model = detail::LineCrossingModel;
using Fit = detail::PixelFit<Model, detail::LineShapes>;
using Unknowns = Model::Unknowns;

// Below this sine of the angle between the lines (17 degrees) a crossing is too flat to measure.
constexpr double kMinSine = 0.3;
constexpr double kMinStepPx = 4.0;
constexpr double kMinBlurPx = 0.288675;  // what a pixel's own area causes, sqrt(1/12)
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
constexpr double kNearPx = 0.05;          // the first round's window needs no better
constexpr double kConvergedPx = 1e-3;
constexpr double kSearchConvergedPx = 0.02;  // of a search
// A fit that still moves by less than kCreepPx after the last iteration is kept, and its standard
// deviation enlarged by kCreepFactor steps.
constexpr double kCreepPx = 0.02;
constexpr double kSearchCreepPx = 0.3;
constexpr double kCreepFactor = 5.0;
constexpr double kMostReachPx = 80.0;  // bounds the time for a hopeless blur

// Half-lengths along a line end where the blurred line through the neighbour begins.
detail::PixelWindow window_of(const LineCrossingGuess& guess,
                              double max_reach_px,
                              const Unknowns& p) {
  const double sine = std::max(kMinSine, std::sin(p[Model::kAngleV] - p[Model::kAngleU]));
  const double blur = std::exp(p[Model::kLogBlur]);
  // Along u it is line v that fills the middle, and the next one that bounds the window.
  const auto reach = [&](double step, double width) {
    const double edge = 0.5 * width / sine;
    const double want =
        std::min(kMostReachPx, std::max(max_reach_px, edge + 3.5 * blur / sine + 2.0));
    const double free = step - edge - 3.0 * blur / sine;
    return std::min(want, std::max(free, 0.5 * step));
  };
  return {.center_px = guess.p_px + Point2d(p[Model::kX], p[Model::kY]),
          .angle_u = p[Model::kAngleU],
          .angle_v = p[Model::kAngleV],
          .reach_u_px = reach(guess.step_u_px.norm(), std::exp(p[Model::kLogWidthV])),
          .reach_v_px = reach(guess.step_v_px.norm(), std::exp(p[Model::kLogWidthU]))};
}

// Where a line runs beside the guess: mean values along it at offsets across, and the middle of
// what stands out from their median. Nullopt where nothing is seen.
double offset_across(ImageView<const float> image,
                     const Point2d& center,
                     const Point2d& along,
                     double half_length,
                     double range) {
  const Point2d normal(-along.y(), along.x());
  constexpr double kStepPx = 0.5;
  const int n = std::max(2, static_cast<int>(std::ceil(range / kStepPx)));
  std::vector<double> profile;
  for (int i = -n; i <= n; ++i) {
    const Point2d middle = center + i * kStepPx * normal;
    double sum = 0.0;
    int count = 0;
    for (double t = -half_length; t <= half_length; t += 1.0) {
      const Point2d p = middle + t * along;
      const double fx = p.x() - 0.5;
      const double fy = p.y() - 0.5;
      if (!(fx >= 0.0 && fy >= 0.0 && fx < image.width - 1.0 && fy < image.height - 1.0)) continue;
      const int ix = static_cast<int>(fx);
      const int iy = static_cast<int>(fy);
      const double ax = fx - ix;
      const double ay = fy - iy;
      const float* a = image.row(iy) + ix;
      const float* b = image.row(iy + 1) + ix;
      const double value =
          (1.0 - ay) * ((1.0 - ax) * a[0] + ax * a[1]) + ay * ((1.0 - ax) * b[0] + ax * b[1]);
      if (!std::isfinite(value)) continue;
      sum += value;
      ++count;
    }
    profile.push_back(count > 0 ? sum / count : std::numeric_limits<double>::quiet_NaN());
  }
  std::vector<double> known;
  for (const double value : profile)
    if (std::isfinite(value)) known.push_back(value);
  if (known.size() < 3) return 0.0;
  const auto middle = known.begin() + static_cast<std::ptrdiff_t>(known.size() / 2);
  std::nth_element(known.begin(), middle, known.end());
  const double paper = *middle;
  int peak = -1;
  double most = 0.0;
  const int last = static_cast<int>(profile.size()) - 1;
  const auto off = [&](int i) { return profile[static_cast<std::size_t>(i)] - paper; };
  for (int i = 0; i <= last; ++i) {
    if (!std::isfinite(off(i)) || std::abs(off(i)) <= std::abs(most)) continue;
    most = off(i);
    peak = i;
  }
  if (peak < 0) return 0.0;
  int first = peak;
  int final = peak;
  while (first > 0 && off(first - 1) * most > 0.5 * most * most) --first;
  while (final < last && off(final + 1) * most > 0.5 * most * most) ++final;
  return (0.5 * (first + final) - n) * kStepPx;
}

// Moves the start onto the lines.
void align(ImageView<const float> image,
           const LineCrossingGuess& guess,
           double range,
           Unknowns& p) {
  const Point2d u(std::cos(p[Model::kAngleU]), std::sin(p[Model::kAngleU]));
  const Point2d v(std::cos(p[Model::kAngleV]), std::sin(p[Model::kAngleV]));
  const double off_u = offset_across(image, guess.p_px, u, 0.4 * guess.step_u_px.norm(), range);
  const double off_v = offset_across(image, guess.p_px, v, 0.4 * guess.step_v_px.norm(), range);
  // n_u . move = off_u and n_v . move = off_v.
  const Point2d n_u(-u.y(), u.x());
  const Point2d n_v(-v.y(), v.x());
  const double det = n_u.x() * n_v.y() - n_u.y() * n_v.x();
  p[Model::kX] = (off_u * n_v.y() - off_v * n_u.y()) / det;
  p[Model::kY] = (n_u.x() * off_v - n_v.x() * off_u) / det;
}

// See LineCrossing::separation.
double separation_of(const std::vector<FitPixel>& pixels,
                     const detail::LineShapes& shapes,
                     const Unknowns& p) {
  const Model model(p, shapes);
  const double blur = std::exp(p[Model::kLogBlur]);
  const double half_u = 0.5 * std::exp(p[Model::kLogWidthU]);
  const double half_v = 0.5 * std::exp(p[Model::kLogWidthV]);
  std::array<double, 4> arm_product{};
  std::array<double, 4> arm_square{};
  std::array<double, 4> field_sum{};
  std::array<double, 4> field_weight{};
  for (const FitPixel& pixel : pixels) {
    const auto [h, k] = model.distances(pixel.x, pixel.y);
    const bool beyond_u = std::abs(h) > half_u + 1.5 * blur;
    const bool beyond_v = std::abs(k) > half_v + 1.5 * blur;
    const double s = model.ink(pixel.x, pixel.y);
    const double paper = p[Model::kA] + p[Model::kAx] * pixel.x + p[Model::kAy] * pixel.y;
    const double amplitude = p[Model::kB] + p[Model::kBx] * pixel.x + p[Model::kBy] * pixel.y;
    const double seen = pixel.value - paper;
    if (beyond_u && beyond_v) {
      const auto field = static_cast<std::size_t>((h > 0.0 ? 1 : 0) + (k > 0.0 ? 2 : 0));
      field_sum[field] += pixel.weight * (seen - amplitude * s);
      field_weight[field] += pixel.weight;
    } else if (beyond_u != beyond_v) {
      // Beyond v: on line u, towards +u where k is positive.
      const auto arm = static_cast<std::size_t>(beyond_v ? (k > 0.0 ? 1 : 0) : (h > 0.0 ? 3 : 2));
      arm_product[arm] += pixel.weight * s * seen;
      arm_square[arm] += pixel.weight * s * s;
    }
  }
  const double amplitude =
      p[Model::kB] + p[Model::kBx] * p[Model::kX] + p[Model::kBy] * p[Model::kY];
  double weakest = 1e9;
  for (std::size_t i = 0; i < 4; ++i) {
    if (!(arm_square[i] > 0.0)) return 0.0;  // an arm without pixels: no proof of a crossing
    weakest = std::min(weakest, arm_product[i] / arm_square[i] / amplitude);
  }
  // What the paper's unevenness is compared with: a thin line is not as dark as its ink.
  const double peak_u = std::erf(half_u / blur / std::sqrt(2.0));
  const double peak_v = std::erf(half_v / blur / std::sqrt(2.0));
  const double visible = std::abs(amplitude) * std::min(peak_u, peak_v);
  double uneven = 0.0;
  for (std::size_t i = 0; i < 4; ++i) {
    if (!(field_weight[i] > 0.0)) return 0.0;
    uneven = std::max(uneven, std::abs(field_sum[i] / field_weight[i]) / visible);
  }
  return weakest - uneven;
}

Fit::Rules rules_of(double shorter, const Unknowns& p, const LineCrossingGuess& guess) {
  Fit::Rules rules;
  rules[Model::kX].most_step = 1.0;
  rules[Model::kY].most_step = 1.0;
  rules[Model::kAngleU].most_step = 0.2;
  rules[Model::kAngleV].most_step = 0.2;
  rules[Model::kLogBlur] = {.low = std::log(kMinBlurPx),
                            .high = std::log(shorter),
                            .most_step = 0.5,
                            .prior = p[Model::kLogBlur],
                            .prior_width = guess.blur_px > 0.0 ? kPriorWidth : 2.0 * kPriorWidth};
  for (const int i : {Model::kLogWidthU, Model::kLogWidthV})
    rules[static_cast<std::size_t>(i)] = {
        .low = std::log(kMinWidthPx),
        .high = std::log(kMostWidthShare * shorter),
        .most_step = 0.5,
        .prior = p[i],
        .prior_width = guess.width_px > 0.0 ? kPriorWidth : 2.0 * kPriorWidth};
  // A thin blurred line on a slope of light resembles a line that has moved: the slope has to be no
  // steeper than light is.
  for (const int i : {Model::kBx, Model::kBy})
    rules[static_cast<std::size_t>(i)].prior_width = std::abs(p[Model::kB]) * kContrastSlope;
  return rules;
}

// Blur and width that suit the pixels best, of those that are not known.
void start(const std::vector<FitPixel>& pixels,
           const detail::LineShapes& shapes,
           const LineCrossingGuess& guess,
           double shorter,
           Unknowns& p) {
  const Fit fit(pixels, shapes);
  Unknowns best = p;
  double best_cost = std::numeric_limits<double>::infinity();
  for (const double blur : kFirstBlursPx) {
    if (guess.blur_px <= 0.0 && blur > std::max(1.0, 0.2 * shorter)) break;
    for (const double width : kFirstWidthsPx) {
      if (guess.width_px <= 0.0 && width > std::max(2.0, 0.4 * shorter)) break;
      p[Model::kLogBlur] =
          std::log(std::max(kMinBlurPx, guess.blur_px > 0.0 ? guess.blur_px : blur));
      p[Model::kLogWidthU] = p[Model::kLogWidthV] =
          std::log(std::max(kMinWidthPx, guess.width_px > 0.0 ? guess.width_px : width));
      const double cost = fit.solve_linear(p);
      if (cost < best_cost) {
        best_cost = cost;
        best = p;
      }
      if (guess.width_px > 0.0) break;
    }
    if (guess.blur_px > 0.0) break;
  }
  p = best;
}

}  // namespace

double LineCrossing::sigma_px() const { return std::sqrt(0.5 * covariance_px2.trace()); }

Result<LineCrossing> fit_line_crossing(ImageView<const float> image,
                                       const LineCrossingGuess& guess,
                                       const LineCrossingOptions& options) {
  const double step_u = guess.step_u_px.norm();
  const double step_v = guess.step_v_px.norm();
  if (image.channels != 1)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("fit_line_crossing: found {} channels, need 1", image.channels));
  if (!guess.p_px.allFinite() || !(step_u >= kMinStepPx) || !(step_v >= kMinStepPx) ||
      !std::isfinite(step_u * step_v) || !std::isfinite(guess.curvature_u) ||
      !std::isfinite(guess.curvature_v) || !std::isfinite(guess.taper_u) ||
      !std::isfinite(guess.taper_v) || !std::isfinite(guess.blur_px) ||
      !std::isfinite(guess.width_px))
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("fit_line_crossing: the guess is not finite or its steps are below {} px",
                    kMinStepPx));
  Unknowns p = Unknowns::Zero();
  p[Model::kAngleU] = std::atan2(guess.step_u_px.y(), guess.step_u_px.x());
  p[Model::kAngleV] = std::atan2(guess.step_v_px.y(), guess.step_v_px.x());
  if (!(std::sin(p[Model::kAngleV] - p[Model::kAngleU]) >= kMinSine))
    return fail(ErrorCode::kInvalidInput,
                "fit_line_crossing: the steps are nearly parallel, or u to v turns anticlockwise");

  const auto no_crossing = [](const Point2d& at, const std::string& why) {
    return fail(ErrorCode::kNoChart,
                fmt::format("crossing at ({:.1f}, {:.1f}): {}", at.x(), at.y(), why));
  };
  const double shorter = std::min(step_u, step_v);
  const detail::LineShapes shapes{
      {guess.curvature_u, guess.curvature_v}, guess.taper_u, guess.taper_v};
  const double width = guess.width_px > 0.0 ? guess.width_px : 0.1 * shorter;
  p[Model::kLogBlur] = std::log(std::max(kMinBlurPx, guess.blur_px > 0.0 ? guess.blur_px : 1.0));
  p[Model::kLogWidthU] = p[Model::kLogWidthV] = std::log(std::max(kMinWidthPx, width));
  align(image, guess, std::min(kMostReachPx, options.max_move_share * shorter + width), p);

  // Lines of unknown width need a window that shows the fields beside them.
  const double first_reach =
      guess.width_px > 0.0 ? options.max_reach_px : std::max(options.max_reach_px, 0.5 * shorter);
  std::vector<FitPixel> pixels = detail::pixels_in(
      image, window_of(guess, first_reach, p), guess.p_px, kFirstPixels, guess.blur_px);
  const auto too_few = [&] {
    return no_crossing(guess.p_px,
                       fmt::format("found {} usable pixels, need {}", pixels.size(), kMinPixels));
  };
  if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few();
  const detail::ValueScale scale = detail::measure_scale(pixels);
  if (!(scale.factor > 0.0)) return no_crossing(guess.p_px, "no contrast");
  detail::apply(scale, pixels);
  start(pixels, shapes, guess, shorter, p);
  const double first_separation = separation_of(pixels, shapes, p);
  if (!(first_separation >= kMinFirstSeparation))
    return no_crossing(guess.p_px,
                       fmt::format("no two lines; found a separation of {:.2f}, need {:.2f}",
                                   first_separation,
                                   kMinFirstSeparation));

  const Fit::Rules rules = rules_of(shorter, p, guess);
  Fit::Outcome outcome;
  const bool searching = options.most_pixels > 0;
  const double enough_px = searching ? kSearchConvergedPx : kConvergedPx;
  const double creep_px = searching ? kSearchCreepPx : kCreepPx;
  // Twice: the window depends on place, blur and width.
  for (int round = 0; round < 2; ++round) {
    if (round > 0) {
      pixels = detail::pixels_in(image,
                                 window_of(guess, options.max_reach_px, p),
                                 guess.p_px,
                                 options.most_pixels,
                                 guess.blur_px);
      if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few();
      detail::apply(scale, pixels);
    }
    outcome = Fit(pixels, shapes).minimise(rules, round == 0 ? kNearPx : enough_px, p);
    const double move = std::hypot(p[Model::kX], p[Model::kY]);
    if (!(move <= options.max_move_share * shorter))
      return no_crossing(guess.p_px,
                         fmt::format("the fit moved {:.2f} px, at most {:.2f} px allowed",
                                     move,
                                     options.max_move_share * shorter));
    if (!(std::sin(p[Model::kAngleV] - p[Model::kAngleU]) >= kMinSine))
      return no_crossing(guess.p_px, "the lines are nearly parallel");
  }
  const bool creeping = !outcome.converged && outcome.last_step_px < creep_px;
  if (!outcome.converged && !creeping) return no_crossing(guess.p_px, "the fit did not converge");

  const Fit fit(pixels, shapes);
  LineCrossing crossing;
  crossing.p_px = guess.p_px + Point2d(p[Model::kX], p[Model::kY]);
  crossing.direction_u = {std::cos(p[Model::kAngleU]), std::sin(p[Model::kAngleU])};
  crossing.direction_v = {std::cos(p[Model::kAngleV]), std::sin(p[Model::kAngleV])};
  crossing.blur_px = std::exp(p[Model::kLogBlur]);
  crossing.width_u_px = std::exp(p[Model::kLogWidthU]);
  crossing.width_v_px = std::exp(p[Model::kLogWidthV]);
  crossing.level = scale.offset + scale.factor * (p[Model::kA] + p[Model::kAx] * p[Model::kX] +
                                                  p[Model::kAy] * p[Model::kY]);
  const double amplitude =
      p[Model::kB] + p[Model::kBx] * p[Model::kX] + p[Model::kBy] * p[Model::kY];
  const double contrast = amplitude * Model(p, shapes).ink(p[Model::kX], p[Model::kY]);
  crossing.contrast = scale.factor * contrast;
  crossing.num_pixels = static_cast<int>(pixels.size());
  crossing.misfit = std::sqrt(outcome.cost / fit.sum_weight()) / std::abs(contrast);
  if (!(crossing.misfit <= options.max_misfit))
    return no_crossing(crossing.p_px,
                       fmt::format("residual {:.0f} % of the contrast, at most {:.0f} %",
                                   100.0 * crossing.misfit,
                                   100.0 * options.max_misfit));
  crossing.separation = separation_of(pixels, shapes, p);
  if (!(crossing.separation >= options.min_separation))
    return no_crossing(crossing.p_px,
                       fmt::format("not four arms of two lines; found a separation of {:.2f}, "
                                   "need {:.2f}",
                                   crossing.separation,
                                   options.min_separation));
  if (crossing.blur_px > kMostBlurShare * shorter)
    return no_crossing(crossing.p_px,
                       fmt::format("blur {:.1f} px, at most {:.1f} px for fields this size",
                                   crossing.blur_px,
                                   kMostBlurShare * shorter));
  crossing.covariance_px2 = fit.position_covariance(p, outcome, rules);
  if (creeping) {
    const double left = kCreepFactor * outcome.last_step_px;
    crossing.covariance_px2 += left * left * Eigen::Matrix2d::Identity();
  }
  if (!crossing.covariance_px2.allFinite())
    return no_crossing(crossing.p_px, "the position is not determined");
  return crossing;
}

}  // namespace trueplate::target
