#include "calib/target/dot.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <Eigen/SVD>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <vector>

#include "calib/target/detail/dot_model.h"
#include "calib/target/detail/pixel_fit.h"

namespace trueplate::target {
namespace {

using detail::FitPixel;
using Model = detail::DotModel;
using Fit = detail::PixelFit<Model, detail::DotSurroundings>;
using Unknowns = Model::Unknowns;

constexpr double kMinRadiusPx = 1.2;  // of the ellipse's shorter axis
constexpr double kMostRadiusPx = 2000.0;
constexpr double kMostFlatness = 8.0;    // longer to shorter axis
constexpr double kMinBlurPx = 0.288675;  // what a pixel's own area causes, sqrt(1/12)
constexpr double kMostBlurShare = 0.8;   // of the mean radius
constexpr double kMinDet = 0.05;         // of the shape: a third of what the guess allows
constexpr int kMinPixels = 24;
constexpr int kFirstPixels = 400;  // about, of the first window
constexpr int kFarStep = 3;
constexpr double kBandBlurs = 4.0;
constexpr double kBandPx = 2.0;
constexpr double kRoughBandBlurs = 2.5;
constexpr double kRoughBandPx = 1.0;
constexpr std::array<double, 3> kFirstBlursPx = {0.7, 1.6, 4.0};
constexpr double kPriorWidth = 0.4;       // of the logarithm of the blur
constexpr double kContrastSlope = 0.004;  // expected departure from the guess's slope, 1/px
constexpr double kMinEdgeShare = 0.3;     // of an eighth of the edge that has to be in the window
constexpr double kNearPx = 0.05;          // the first round's window needs no better
constexpr double kConvergedPx = 1e-3;
constexpr double kSearchConvergedPx = 0.02;  // of a search
// A fit that still moves by less than kCreepPx after the last iteration is kept, and its standard
// deviation enlarged by kCreepFactor steps.
constexpr double kCreepPx = 0.02;
constexpr double kSearchCreepPx = 0.3;
constexpr double kCreepFactor = 5.0;

/// What the window depends on, in radii of the guess.
struct Window {
  double reach = 2.0;
  double size = 1.0;    // of the dot, as found
  double half_x = 0.0;  // of a box in px that holds it
  double half_y = 0.0;
};

Window window_of(const detail::DotSurroundings& known,
                 double spacing,
                 double min_radius_px,
                 const Unknowns& p) {
  const double blur = std::exp(p[Model::kLogBlur]) / min_radius_px;
  // By the size found, once there is one.
  const double size =
      1.0 / std::sqrt(std::abs(p[Model::kS11] * p[Model::kS22] - p[Model::kS12] * p[Model::kS12]));
  const double want = size + 3.5 * blur + 2.0 / min_radius_px;
  const double free = spacing - size - 2.6 * blur;
  Window window;
  window.size = size;
  // Weights begin to fall at 0.6 of the reach.
  window.reach = std::min(1.25 * want, std::max(free, 0.5 * spacing));
  const Eigen::Matrix2d& j = known.first;
  window.half_x = window.reach * std::hypot(j(0, 0), j(0, 1));
  window.half_y = window.reach * std::hypot(j(1, 0), j(1, 1));
  const auto bend = [&](int axis) {
    return 0.5 * known.second.row(axis).cwiseAbs().sum() * window.reach * window.reach;
  };
  window.half_x += bend(0);
  window.half_y += bend(1);
  return window;
}

/// Which pixels of a window take part.
struct Selection {
  int step = 1;  // every so many columns and rows
  /// Beyond this distance from the edge, in radii of the guess, only every kFarStep-th column and
  /// row, each for all it stands for: there the picture tells level and slope of the light only.
  double band = std::numeric_limits<double>::infinity();
};

/// While the size is not known: some of all. Then: those that tell something.
Selection first_selection(const Window& window, double blur_px) {
  return {.step = detail::thinning(4.0 * window.half_x * window.half_y, kFirstPixels, blur_px)};
}

Selection selection_of(double longer_px, bool rough, const Unknowns& p) {
  const double blur = std::exp(p[Model::kLogBlur]);
  const double band = rough ? kRoughBandBlurs * blur + kRoughBandPx : kBandBlurs * blur + kBandPx;
  return {.band = band / longer_px};
}

std::vector<FitPixel> gather(ImageView<const float> image,
                             const Point2d& start_px,
                             const detail::DotSurroundings& known,
                             const Window& window,
                             const Selection& selection,
                             const Unknowns& p) {
  const double center_x = start_px.x() + p[Model::kX];
  const double center_y = start_px.y() + p[Model::kY];
  std::vector<FitPixel> pixels;
  if (!(center_x + window.half_x > 0.0) || !(center_y + window.half_y > 0.0) ||
      !(center_x - window.half_x < image.width) || !(center_y - window.half_y < image.height))
    return pixels;
  const int x0 = std::max(0, static_cast<int>(std::floor(center_x - window.half_x - 0.5)));
  const int y0 = std::max(0, static_cast<int>(std::floor(center_y - window.half_y - 0.5)));
  const int x1 =
      static_cast<int>(std::min(image.width - 1.0, std::ceil(center_x + window.half_x - 0.5)));
  const int y1 =
      static_cast<int>(std::min(image.height - 1.0, std::ceil(center_y + window.half_y - 0.5)));
  if (x1 < x0 || y1 < y0) return pixels;
  Unknowns round = p;
  round[Model::kS11] = round[Model::kS22] = 1.0;
  round[Model::kS12] = 0.0;
  const Model model(round, known);
  for (int y = y0; y <= y1; y += selection.step) {
    const float* row = image.row(y);
    for (int x = x0; x <= x1; x += selection.step) {
      if (!std::isfinite(row[x])) continue;
      const double dx = x + 0.5 - start_px.x();
      const double dy = y + 0.5 - start_px.y();
      const double q = model.place(dx, dy).norm();
      double weight = detail::taper(q / window.reach);
      if (weight < 1e-4) continue;
      if (std::abs(q - window.size) > selection.band) {
        if (x % kFarStep != 0 || y % kFarStep != 0) continue;
        weight *= kFarStep * kFarStep;
      }
      pixels.push_back({dx, dy, static_cast<double>(row[x]), weight});
    }
  }
  return pixels;
}

/// See Dot::completeness and Dot::out_of_round.
struct Shape {
  double completeness = 0.0;
  double out_of_round = 0.0;
};

Shape shape_of(const std::vector<FitPixel>& pixels,
               const detail::DotSurroundings& known,
               const Unknowns& p) {
  const Model model(p, known);
  constexpr std::size_t kSectors = 8;
  // Line through (s, value) in each sector: its slope is the contrast there.
  struct Sums {
    double w = 0.0, s = 0.0, v = 0.0, ss = 0.0, sv = 0.0;
    double edge = 0.0;
  };
  std::array<Sums, kSectors> sectors{};
  std::array<double, 4> product{};
  std::array<double, 4> square{};
  for (const FitPixel& pixel : pixels) {
    const Model::Look look = model.look(pixel.x, pixel.y);
    const double residual = pixel.value - model.at(pixel.x, pixel.y, nullptr);
    const double turn = std::atan2(look.place.y(), look.place.x());
    const double share = turn / (2.0 * std::numbers::pi) + 0.5;
    Sums& sums = sectors[std::min(kSectors - 1, static_cast<std::size_t>(share * kSectors))];
    const double value = pixel.value - p[Model::kAx] * pixel.x - p[Model::kAy] * pixel.y;
    sums.w += pixel.weight;
    sums.s += pixel.weight * look.ink;
    sums.v += pixel.weight * value;
    sums.ss += pixel.weight * look.ink * look.ink;
    sums.sv += pixel.weight * look.ink * value;
    sums.edge += pixel.weight * look.ink * (1.0 - look.ink);
    const std::array<double, 4> waves = {
        std::cos(3.0 * turn), std::sin(3.0 * turn), std::cos(4.0 * turn), std::sin(4.0 * turn)};
    for (std::size_t i = 0; i < 4; ++i) {
      const double t = look.by_edge * waves[i];
      product[i] += pixel.weight * t * residual;
      square[i] += pixel.weight * t * t;
    }
  }
  const double amplitude =
      p[Model::kB] + p[Model::kBx] * p[Model::kX] + p[Model::kBy] * p[Model::kY];
  Shape shape;
  shape.completeness = 1e9;
  double edge = 0.0;
  for (const Sums& sums : sectors) edge += sums.edge / kSectors;
  for (const Sums& sums : sectors) {
    const double spread = sums.ss * sums.w - sums.s * sums.s;
    if (!(sums.edge > kMinEdgeShare * edge) || !(spread > 0.0)) return {};  // not in sight
    const double share = (sums.sv * sums.w - sums.s * sums.v) / spread / amplitude;
    shape.completeness = std::min({shape.completeness, share, 2.0 - share});
  }
  const auto wave = [&](std::size_t i) { return square[i] > 0.0 ? product[i] / square[i] : 0.0; };
  shape.out_of_round = std::max(std::hypot(wave(0), wave(1)), std::hypot(wave(2), wave(3)));
  return shape;
}

}  // namespace

double Dot::sigma_px() const { return std::sqrt(0.5 * covariance_px2.trace()); }

Result<Dot> fit_dot(ImageView<const float> image,
                    const DotGuess& guess,
                    const DotOptions& options) {
  if (image.channels != 1)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("fit_dot: found {} channels, need 1", image.channels));
  const bool finite = guess.p_px.allFinite() && guess.first.allFinite() &&
                      guess.second.allFinite() && std::isfinite(guess.radius) &&
                      std::isfinite(guess.spacing) && std::isfinite(guess.blur_px) &&
                      guess.contrast_slope.allFinite();
  if (!finite || !(guess.radius > 0.0) || !(guess.first.determinant() > 0.0))
    return fail(ErrorCode::kInvalidInput,
                "fit_dot: the guess is not finite, has no extent or is mirrored");
  const detail::DotSurroundings known{guess.radius * guess.first,
                                      guess.radius * guess.radius * guess.second};
  const Eigen::JacobiSVD<Eigen::Matrix2d> axes(known.first);
  const double longer = axes.singularValues()[0];
  const double shorter = axes.singularValues()[1];
  const auto no_dot = [](const Point2d& at, const std::string& why) {
    return fail(ErrorCode::kNoChart,
                fmt::format("dot at ({:.1f}, {:.1f}): {}", at.x(), at.y(), why));
  };
  if (!(shorter >= kMinRadiusPx) || !(longer <= kMostRadiusPx) ||
      !(longer <= kMostFlatness * shorter))
    return no_dot(guess.p_px,
                  fmt::format("radii {:.1f} x {:.1f} px, need {:.1f} to {:.0f} px and no more than "
                              "{:.0f} times as long as wide",
                              longer,
                              shorter,
                              kMinRadiusPx,
                              kMostRadiusPx,
                              kMostFlatness));
  const double spacing = guess.spacing > 0.0 ? guess.spacing / guess.radius : 2.4;
  const double mean_radius = std::sqrt(longer * shorter);

  Unknowns p = Unknowns::Zero();
  p[Model::kS11] = p[Model::kS22] = 1.0;
  p[Model::kLogBlur] = std::log(std::max(kMinBlurPx, guess.blur_px > 0.0 ? guess.blur_px : 1.0));
  Window window = window_of(known, spacing, shorter, p);
  std::vector<FitPixel> pixels =
      gather(image, guess.p_px, known, window, first_selection(window, guess.blur_px), p);
  const auto too_few = [&] {
    return no_dot(guess.p_px,
                  fmt::format("found {} usable pixels, need {}", pixels.size(), kMinPixels));
  };
  if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few();
  const detail::ValueScale scale = detail::measure_scale(pixels);
  if (!(scale.factor > 0.0)) return no_dot(guess.p_px, "no contrast");
  detail::apply(scale, pixels);
  if (!(guess.blur_px > 0.0)) {
    const Fit fit(pixels, known);
    Unknowns best = p;
    double best_cost = std::numeric_limits<double>::infinity();
    for (const double blur : kFirstBlursPx) {
      if (blur > std::max(1.0, 0.7 * mean_radius)) break;
      p[Model::kLogBlur] = std::log(blur);
      const double cost = fit.solve_linear(p);
      if (cost < best_cost) {
        best_cost = cost;
        best = p;
      }
    }
    p = best;
  } else {
    Fit(pixels, known).solve_linear(p);
  }

  Fit::Rules rules;
  rules[Model::kX].most_step = rules[Model::kY].most_step = std::max(1.0, 0.2 * shorter);
  for (const int i : {Model::kS11, Model::kS22})
    rules[static_cast<std::size_t>(i)] = {.low = 0.3, .high = 3.0, .most_step = 0.2};
  rules[Model::kS12] = {.low = -0.9, .high = 0.9, .most_step = 0.2};
  rules[Model::kLogBlur] = {.low = std::log(kMinBlurPx),
                            .high = std::log(std::max(1.0, 2.0 * longer)),
                            .most_step = 0.5,
                            .prior = p[Model::kLogBlur],
                            .prior_width = guess.blur_px > 0.0 ? kPriorWidth : 2.0 * kPriorWidth};
  // The image of a small, blurred dot on a slope of light and that of a moved dot are all but the
  // same: the slope has to be no steeper than light is.
  for (int i = 0; i < 2; ++i)
    rules[static_cast<std::size_t>(Model::kBx + i)] = {
        .prior = p[Model::kB] * guess.contrast_slope[i],
        .prior_width = std::abs(p[Model::kB]) * kContrastSlope};
  Fit::Outcome outcome;
  const double enough_px = options.rough ? kSearchConvergedPx : kConvergedPx;
  const double creep_px = options.rough ? kSearchCreepPx : kCreepPx;
  // Twice: the window depends on place, size and blur.
  for (int round = 0; round < 2; ++round) {
    if (round > 0) {
      window = window_of(known, spacing, shorter, p);
      const Selection selection = selection_of(longer, options.rough, p);
      pixels = gather(image, guess.p_px, known, window, selection, p);
      if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few();
      detail::apply(scale, pixels);
    }
    outcome = Fit(pixels, known).minimise(rules, round == 0 ? kNearPx : enough_px, p);
    const double move = std::hypot(p[Model::kX], p[Model::kY]);
    if (!(move <= options.max_move_share * mean_radius))
      return no_dot(guess.p_px,
                    fmt::format("the fit moved {:.2f} px, at most {:.2f} px allowed",
                                move,
                                options.max_move_share * mean_radius));
    if (!(p[Model::kS11] * p[Model::kS22] - p[Model::kS12] * p[Model::kS12] > kMinDet))
      return no_dot(guess.p_px, "not the size of a dot");
  }
  const bool creeping = !outcome.converged && outcome.last_step_px < creep_px;
  if (!outcome.converged && !creeping) return no_dot(guess.p_px, "the fit did not converge");

  const Fit fit(pixels, known);
  Eigen::Matrix2d s;
  s << p[Model::kS11], p[Model::kS12], p[Model::kS12], p[Model::kS22];
  Dot dot;
  dot.p_px = guess.p_px + Point2d(p[Model::kX], p[Model::kY]);
  dot.px_from_circle = known.first * s.inverse();
  dot.radius = guess.radius / std::sqrt(s.determinant());
  dot.blur_px = std::exp(p[Model::kLogBlur]);
  dot.level = scale.offset + scale.factor * (p[Model::kA] + p[Model::kAx] * p[Model::kX] +
                                             p[Model::kAy] * p[Model::kY]);
  const double contrast =
      p[Model::kB] + p[Model::kBx] * p[Model::kX] + p[Model::kBy] * p[Model::kY];
  dot.contrast = scale.factor * contrast;
  dot.num_pixels = static_cast<int>(pixels.size());
  dot.misfit = std::sqrt(outcome.cost / fit.sum_weight()) / std::abs(contrast);
  if (!(dot.misfit <= options.max_misfit))
    return no_dot(dot.p_px,
                  fmt::format("residual {:.0f} % of the contrast, at most {:.0f} %",
                              100.0 * dot.misfit,
                              100.0 * options.max_misfit));
  const Shape shape = shape_of(pixels, known, p);
  dot.completeness = shape.completeness;
  dot.out_of_round = shape.out_of_round;
  if (!(dot.completeness >= options.min_completeness))
    return no_dot(dot.p_px,
                  fmt::format("part of the edge is missing; found {:.2f} of the contrast, need "
                              "{:.2f}",
                              dot.completeness,
                              options.min_completeness));
  if (!(dot.out_of_round <= options.max_out_of_round))
    return no_dot(dot.p_px,
                  fmt::format("not round: {:.0f} % of the radius, at most {:.0f} %",
                              100.0 * dot.out_of_round,
                              100.0 * options.max_out_of_round));
  if (dot.blur_px > std::max(1.0, kMostBlurShare * std::sqrt(dot.px_from_circle.determinant())))
    return no_dot(dot.p_px,
                  fmt::format("blur {:.1f} px, too much for a dot this size", dot.blur_px));
  dot.covariance_px2 = fit.position_covariance(p, outcome, rules);
  if (creeping) {
    const double left = kCreepFactor * outcome.last_step_px;
    dot.covariance_px2 += left * left * Eigen::Matrix2d::Identity();
  }
  if (!dot.covariance_px2.allFinite()) return no_dot(dot.p_px, "the position is not determined");
  return dot;
}

}  // namespace trueplate::target
