#include "calib/target/saddle.h"

#include <fmt/format.h>

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <utility>
#include <vector>

#include "calib/target/detail/saddle_model.h"

namespace trueplate::target {
namespace {

// Below this sine of the angle between the edges (17 degrees) a corner is too flat to measure.
constexpr double kMinSine = 0.3;
constexpr double kMinStepPx = 3.0;
constexpr double kMinBlurPx = 0.288675;  // what a pixel's own area causes, sqrt(1/12)
constexpr int kMinPixels = 24;
constexpr int kMaxIterations = 20;
constexpr double kMinFirstSeparation = 0.1;  // at the guess; below, no fit is tried
constexpr double kFirstReach = 0.65;         // share of max_reach_px
constexpr double kMostFirstReachPx = 16.0;
constexpr std::array<double, 4> kFirstBlursPx = {0.8, 2.0, 5.0, 12.0};
constexpr double kFirstDamping = 1e-4;
// A gain of cost / weight is one standard deviation: this is 0.05 of it.
constexpr double kNegligibleGain = 0.0025;
// A fit that still moves by less than kCreepPx after the last iteration is kept, and its standard
// deviation enlarged by kCreepFactor steps.
constexpr double kCreepPx = 0.02;
constexpr double kCreepFactor = 5.0;
constexpr double kBlurPriorWidth = 0.5;
constexpr double kNearPx = 0.05;  // the first round's window needs no better
constexpr double kConvergedPx = 1e-3;
constexpr double kMostReachPx = 60.0;  // bounds the time for a hopeless blur
constexpr double kTaperStart = 0.6;    // share of the window where the weights begin to fall
// What of the plain strip beside an edge stays in the window however strong the blur and small the
// square.
constexpr double kLeastClear = 0.8;
constexpr double kLeastClearPx = 2.2;

using detail::kA;
using detail::kAngleU;
using detail::kAngleV;
using detail::kAx;
using detail::kAy;
using detail::kB;
using detail::kBx;
using detail::kBy;
using detail::kLogBlur;
using detail::kNumLinear;
using detail::kNumUnknowns;
using detail::kX;
using detail::kY;
using detail::SaddleModel;
using detail::Unknowns;
using Normal = Eigen::Matrix<double, kNumUnknowns, kNumUnknowns>;

// Positions relative to the first guess, so that single digits remain for the fit.
struct Pixel {
  double x, y;
  double value;
  double weight;
};

double taper(double t) {
  const double a = std::abs(t);
  if (a <= kTaperStart) return 1.0;
  if (a >= 1.0) return 0.0;
  return 0.5 * (1.0 + std::cos(std::numbers::pi * (a - kTaperStart) / (1.0 - kTaperStart)));
}

// The pixels of a parallelogram along the edges. Its half-length along an edge ends where the
// blurred edge through the neighbour begins; away from both edges it ends where the squares are not
// plain.
std::vector<Pixel> gather(ImageView<const float> image,
                          const SaddleGuess& guess,
                          double max_reach_px,
                          double clear_share,
                          const Unknowns& p) {
  const double sine = std::max(kMinSine, std::sin(p[kAngleV] - p[kAngleU]));
  const double blur = std::exp(p[kLogBlur]);
  const double want = std::min(kMostReachPx, std::max(max_reach_px, 3.5 * blur / sine));
  const auto reach = [&](double step) {
    const double free = step - 2.5 * blur / sine;
    return std::min({want, 0.85 * step, std::max(free, 0.45 * step)});
  };
  const double reach_u = reach(guess.step_u_px.norm());
  const double reach_v = reach(guess.step_v_px.norm());
  const auto clear = [&](double step) {
    const double free = clear_share * step;
    return std::max({free - 2.0 * blur / sine, kLeastClear * free, kLeastClearPx});
  };
  const double clear_u = clear(guess.step_u_px.norm());
  const double clear_v = clear(guess.step_v_px.norm());
  const double cu = std::cos(p[kAngleU]), su = std::sin(p[kAngleU]);
  const double cv = std::cos(p[kAngleV]), sv = std::sin(p[kAngleV]);
  const double det = cu * sv - su * cv;
  const double center_x = guess.p_px.x() + p[kX];
  const double center_y = guess.p_px.y() + p[kY];
  const double half_x = reach_u * std::abs(cu) + reach_v * std::abs(cv);
  const double half_y = reach_u * std::abs(su) + reach_v * std::abs(sv);
  const int x0 = std::max(0, static_cast<int>(std::floor(center_x - half_x - 0.5)));
  const int y0 = std::max(0, static_cast<int>(std::floor(center_y - half_y - 0.5)));
  const int x1 = std::min(image.width - 1, static_cast<int>(std::ceil(center_x + half_x - 0.5)));
  const int y1 = std::min(image.height - 1, static_cast<int>(std::ceil(center_y + half_y - 0.5)));
  std::vector<Pixel> pixels;
  if (x1 < x0 || y1 < y0) return pixels;
  pixels.reserve(static_cast<std::size_t>(x1 - x0 + 1) * static_cast<std::size_t>(y1 - y0 + 1));
  for (int y = y0; y <= y1; ++y) {
    const float* row = image.row(y);
    const double dy = y + 0.5 - center_y;
    for (int x = x0; x <= x1; ++x) {
      const double dx = x + 0.5 - center_x;
      const double tu = (dx * sv - dy * cv) / det;
      const double tv = (cu * dy - su * dx) / det;
      const double weight = taper(tu / reach_u) * taper(tv / reach_v) *
                            taper(std::min(std::abs(tu) / clear_u, std::abs(tv) / clear_v));
      if (weight < 1e-4 || !std::isfinite(row[x])) continue;
      pixels.push_back({dx + p[kX], dy + p[kY], static_cast<double>(row[x]), weight});
    }
  }
  return pixels;
}

// The fit works on (value - offset) / factor, so that no range of the image is special.
struct Scale {
  double offset = 0.0;
  double factor = 0.0;
};

Scale measure_scale(const std::vector<Pixel>& pixels) {
  Scale scale;
  for (const Pixel& pixel : pixels) scale.offset += pixel.value;
  scale.offset /= static_cast<double>(pixels.size());
  for (const Pixel& pixel : pixels)
    scale.factor += (pixel.value - scale.offset) * (pixel.value - scale.offset);
  scale.factor = std::sqrt(scale.factor / static_cast<double>(pixels.size()));
  return scale;
}

void apply(const Scale& scale, std::vector<Pixel>& pixels) {
  for (Pixel& pixel : pixels) pixel.value = (pixel.value - scale.offset) / scale.factor;
}

// Sets the seven linear unknowns to their best values at the other five; returns the cost.
double solve_linear(const std::vector<Pixel>& pixels, const SaddleGuess& guess, Unknowns& p) {
  using Vector = Eigen::Matrix<double, kNumLinear, 1>;
  using Matrix = Eigen::Matrix<double, kNumLinear, kNumLinear>;
  p.tail<kNumLinear>().setZero();
  p[kB] = 1.0;  // so that at() computes s itself
  const SaddleModel model(p, guess.curvature_u, guess.curvature_v);
  Matrix normal = Matrix::Zero();
  Vector right = Vector::Zero();
  double sum = 0.0;
  Unknowns row;
  for (const Pixel& pixel : pixels) {
    model.at(pixel.x, pixel.y, &row);
    const Vector j = row.tail<kNumLinear>();
    normal.noalias() += pixel.weight * j * j.transpose();
    right += pixel.weight * pixel.value * j;
    sum += pixel.weight * pixel.value * pixel.value;
  }
  normal.diagonal().array() *= 1.0 + 1e-9;
  const Vector solution = normal.ldlt().solve(right);
  p.tail<kNumLinear>() = solution;
  return std::max(0.0, sum - solution.dot(right));
}

// What is expected of the blur, weighted as one more pixel that would know it to kBlurPriorWidth:
// without influence where the pixels tell the blur, decisive where a sharp edge along a pixel row
// leaves it open, and with it the position.
struct BlurPrior {
  double log_blur = 0.0;
  double weight = 0.0;
};

// Normal equations of the fit at one set of unknowns.
struct Equations {
  Normal normal = Normal::Zero();  // sum of weight * row * row'
  Unknowns right = Unknowns::Zero();
  double cost = 0.0;
};

Equations equations_at(const std::vector<Pixel>& pixels,
                       const SaddleGuess& guess,
                       const Unknowns& p) {
  const SaddleModel model(p, guess.curvature_u, guess.curvature_v);
  Equations equations;
  Normal& normal = equations.normal;
  Unknowns row;
  for (const Pixel& pixel : pixels) {
    const double r = pixel.value - model.at(pixel.x, pixel.y, &row);
    const Unknowns weighted = pixel.weight * row;
    // The upper half, in blocks the compiler turns into vector instructions.
    constexpr int kBlock = 4;
    static_assert(kNumUnknowns % kBlock == 0);
    for (int i = 0; i < kNumUnknowns; i += kBlock)
      for (int j = i; j < kNumUnknowns; ++j)
        normal.col(j).segment<kBlock>(i) += row[j] * weighted.segment<kBlock>(i);
    equations.right += r * weighted;
    equations.cost += pixel.weight * r * r;
  }
  normal.triangularView<Eigen::StrictlyLower>() = normal.transpose();
  return equations;
}

void add(const BlurPrior& prior, const Unknowns& p, Equations& equations) {
  const double off = p[kLogBlur] - prior.log_blur;
  equations.normal(kLogBlur, kLogBlur) += prior.weight;
  equations.right[kLogBlur] -= prior.weight * off;
  equations.cost += prior.weight * off * off;
}

struct Fit {
  bool converged = false;
  double last_step_px = std::numeric_limits<double>::infinity();
  Equations equations;  // at the end
};

Fit minimise(const std::vector<Pixel>& pixels,
             const SaddleGuess& guess,
             double enough_px,
             Unknowns& p) {
  double sum_weight = 0.0;
  for (const Pixel& pixel : pixels) sum_weight += pixel.weight;
  double damping = kFirstDamping;
  Fit fit;
  Equations& equations = fit.equations;
  BlurPrior prior;
  equations = equations_at(pixels, guess, p);
  if (guess.blur_px > 0.0)
    prior = {std::log(guess.blur_px),
             equations.cost / sum_weight / (kBlurPriorWidth * kBlurPriorWidth)};
  add(prior, p, equations);
  for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
    Normal damped = equations.normal;
    damped.diagonal().array() *= 1.0 + damping;
    damped.diagonal().array() += 1e-12 * equations.normal.diagonal().maxCoeff();
    Unknowns step = damped.ldlt().solve(equations.right);
    if (step[kLogBlur] < 0.0 && p[kLogBlur] <= std::log(kMinBlurPx)) {
      // At its bound and wants out (a sharpened image): the others move without it.
      Unknowns right = equations.right;
      right[kLogBlur] = 0.0;
      damped.row(kLogBlur).setZero();
      damped.col(kLogBlur).setZero();
      damped(kLogBlur, kLogBlur) = 1.0;
      step = damped.ldlt().solve(right);
    }
    if (!step.allFinite()) break;
    // A step out of the region where the model is nearly linear is shortened as a whole.
    const double blur = std::exp(p[kLogBlur]);
    const double excess = std::max({step.head<2>().norm() / std::max(1.0, blur),
                                    std::abs(step[kAngleU]) / 0.2,
                                    std::abs(step[kAngleV]) / 0.2,
                                    std::abs(step[kLogBlur]) / 0.5});
    if (excess > 1.0) step /= excess;
    Unknowns candidate = p + step;
    candidate[kLogBlur] = std::max(candidate[kLogBlur], std::log(kMinBlurPx));
    const bool open = std::sin(candidate[kAngleV] - candidate[kAngleU]) >= kMinSine;
    // A step this small changes nothing that matters; the convergence is quadratic by then, so what
    // is left after it is far smaller still.
    const bool last =
        step.head<2>().norm() < enough_px && std::abs(step[kLogBlur]) < 20.0 * enough_px;
    bool negligible = false;
    Equations next;
    if (open) {
      next = equations_at(pixels, guess, candidate);
      add(prior, candidate, next);
    }
    if (open && next.cost <= equations.cost) {
      // Less damping where the model predicted the gain well, more where it did not (Nielsen 1999):
      // on sharpened images, whose residuals are large, plain steps overshoot to and fro.
      const double predicted = step.dot(equations.right) +
                               damping * step.dot(equations.normal.diagonal().cwiseProduct(step));
      const double gain = equations.cost - next.cost;
      const double quality = predicted > 0.0 ? gain / predicted : 1.0;
      negligible = gain <= kNegligibleGain * equations.cost / sum_weight;
      p = candidate;
      equations = next;
      fit.last_step_px = step.head<2>().norm();
      damping *= std::max(0.1, 1.0 - std::pow(2.0 * quality - 1.0, 3));
      damping = std::max(kFirstDamping, damping);
    } else if (!last) {
      damping *= 10.0;
      if (damping > 1e8) break;
    }
    if (last || negligible) {
      fit.converged = true;
      break;
    }
  }
  return fit;
}

// Covariance of the position from the residuals themselves, normal^-1 (sum w^2 r^2 j j') normal^-1:
// it stays honest when residuals are larger along the edges (sharpening, tone) than in the flat
// parts, where a common variance would not. Averaged with the common-variance form, which
// scatters less; scaled for the unknowns the fit has used up.
Eigen::Matrix2d covariance(const std::vector<Pixel>& pixels,
                           const SaddleGuess& guess,
                           const Unknowns& p,
                           const Equations& equations) {
  const SaddleModel model(p, guess.curvature_u, guess.curvature_v);
  Normal normal = equations.normal;
  normal.diagonal().array() += 1e-12 * normal.diagonal().maxCoeff();
  const Eigen::Matrix<double, kNumUnknowns, 2> solve_position =
      normal.ldlt().solve(Normal::Identity()).leftCols<2>();
  Eigen::Matrix2d common = Eigen::Matrix2d::Zero();
  Eigen::Matrix2d observed = Eigen::Matrix2d::Zero();
  double sum_weight = 0.0;
  double sum_weight2 = 0.0;
  Unknowns row;
  for (const Pixel& pixel : pixels) {
    const double r = pixel.value - model.at(pixel.x, pixel.y, &row);
    const Eigen::Vector2d gain = pixel.weight * (solve_position.transpose() * row);
    common += gain * gain.transpose();
    observed += r * r * gain * gain.transpose();
    sum_weight += pixel.weight;
    sum_weight2 += pixel.weight * pixel.weight;
  }
  const double freedom =
      std::max(1.0, sum_weight - double{kNumUnknowns} * sum_weight2 / sum_weight);
  return 0.5 / freedom * (equations.cost * common + sum_weight * observed);
}

// How far apart the lighter two opposite sectors are from the darker two: the gap between the
// darkest light and the lightest dark one, as a share of twice the contrast. 1 at a crossing, about
// 0 at the corner of a single square, where three sectors share a colour.
double separation_of(const std::vector<Pixel>& pixels,
                     const SaddleGuess& guess,
                     const Unknowns& p) {
  const SaddleModel model(p, guess.curvature_u, guess.curvature_v);
  std::array<double, 4> sum{};
  std::array<double, 4> weight{};
  for (const Pixel& pixel : pixels) {
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
  const double contrast = p[kB] + p[kBx] * p[kX] + p[kBy] * p[kY];
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
  p[kAngleU] = std::atan2(guess.step_u_px.y(), guess.step_u_px.x());
  p[kAngleV] = std::atan2(guess.step_v_px.y(), guess.step_v_px.x());
  if (!(std::sin(p[kAngleV] - p[kAngleU]) >= kMinSine))
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
  std::vector<Pixel> pixels = gather(image, guess, first_reach, options.clear_share, p);
  if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few(pixels.size());
  const Scale scale = measure_scale(pixels);
  if (!(scale.factor > 0.0) || !std::isfinite(1.0 / scale.factor))
    return fail(ErrorCode::kNoChart, fmt::format("corner at {}: no contrast", where(guess.p_px)));
  apply(scale, pixels);
  Unknowns best = p;
  double best_cost = std::numeric_limits<double>::infinity();
  for (const double blur : kFirstBlursPx) {
    if (guess.blur_px <= 0.0 && blur > std::max(1.0, 0.25 * shorter)) break;
    p[kLogBlur] = std::log(guess.blur_px > 0.0 ? guess.blur_px : blur);
    const double cost = solve_linear(pixels, guess, p);
    if (cost < best_cost) {
      best_cost = cost;
      best = p;
    }
    if (guess.blur_px > 0.0) break;
  }
  p = best;
  const auto not_alternating = [&](const Point2d& at, double found, double need) {
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the four sectors do not alternate; found a separation "
                            "of {:.2f}, need {:.2f}",
                            where(at),
                            found,
                            need));
  };
  // Most places that are probed in vain, such as a chart's outer border, end here.
  const double first_separation = separation_of(pixels, guess, p);
  if (!(first_separation >= kMinFirstSeparation))
    return not_alternating(guess.p_px, first_separation, kMinFirstSeparation);

  // Twice: the window depends on place and blur.
  Fit fit;
  for (int round = 0; round < 2; ++round) {
    if (round > 0) {
      pixels = gather(image, guess, options.max_reach_px, options.clear_share, p);
      if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few(pixels.size());
      apply(scale, pixels);
    }
    fit = minimise(pixels, guess, round == 0 ? kNearPx : kConvergedPx, p);
    const Point2d move(p[kX], p[kY]);
    if (!(move.norm() <= options.max_move_share * shorter))
      return fail(ErrorCode::kNoChart,
                  fmt::format("corner at {}: the fit moved {:.2f} px, at most {:.2f} px allowed",
                              where(guess.p_px),
                              move.norm(),
                              options.max_move_share * shorter));
  }
  const bool creeping = !fit.converged && fit.last_step_px < kCreepPx;
  if (!fit.converged && !creeping)
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the fit did not converge", where(guess.p_px)));

  Saddle saddle;
  saddle.p_px = guess.p_px + Point2d(p[kX], p[kY]);
  saddle.direction_u = {std::cos(p[kAngleU]), std::sin(p[kAngleU])};
  saddle.direction_v = {std::cos(p[kAngleV]), std::sin(p[kAngleV])};
  saddle.blur_px = std::exp(p[kLogBlur]);
  const double contrast = p[kB] + p[kBx] * p[kX] + p[kBy] * p[kY];
  saddle.level = scale.offset + scale.factor * (p[kA] + p[kAx] * p[kX] + p[kAy] * p[kY]);
  saddle.contrast = scale.factor * contrast;
  saddle.num_pixels = static_cast<int>(pixels.size());
  double sum_weight = 0.0;
  for (const Pixel& pixel : pixels) sum_weight += pixel.weight;
  saddle.misfit = std::sqrt(fit.equations.cost / sum_weight) / std::abs(contrast);
  if (!(saddle.misfit <= options.max_misfit))
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: residual {:.0f} % of the contrast, at most {:.0f} %",
                            where(saddle.p_px),
                            100.0 * saddle.misfit,
                            100.0 * options.max_misfit));
  saddle.separation = separation_of(pixels, guess, p);
  if (!(saddle.separation >= options.min_separation))
    return not_alternating(saddle.p_px, saddle.separation, options.min_separation);
  if (saddle.blur_px > 0.4 * shorter)
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: blur {:.1f} px, at most {:.1f} px for squares this size",
                            where(saddle.p_px),
                            saddle.blur_px,
                            0.4 * shorter));
  saddle.covariance_px2 = covariance(pixels, guess, p, fit.equations);
  if (creeping) {
    const double left = kCreepFactor * fit.last_step_px;
    saddle.covariance_px2 += left * left * Eigen::Matrix2d::Identity();
  }
  if (!saddle.covariance_px2.allFinite())
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the position is not determined", where(saddle.p_px)));
  return saddle;
}

}  // namespace trueplate::target
