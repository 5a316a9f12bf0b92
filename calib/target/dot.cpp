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
#include "calib/target/detail/mark_fit.h"

namespace trueplate::target {
namespace {

using detail::FitPixel;
using Model = detail::DotModel;
using Base = detail::MarkFit<Model, detail::DotSurroundings>;
using Unknowns = Model::Unknowns;

constexpr double kMinRadiusPx = 1.2;  // of the ellipse's shorter axis
constexpr double kMostRadiusPx = 2000.0;
constexpr double kMostFlatness = 8.0;    // longer to shorter axis
constexpr double kMostBlurShare = 0.8;   // of the mean radius
constexpr double kMinDet = 0.05;         // of the shape: a third of what the guess allows
constexpr double kUnknownSpacing = 2.4;  // assumed, in radii
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

/// The picture of a dot in one eighth of its circumference: a line through (ink expected, value),
/// whose slope is the contrast there.
struct Sector {
  double w = 0.0, s = 0.0, v = 0.0, ss = 0.0, sv = 0.0;
  double edge = 0.0;

  void add(const FitPixel& pixel, double ink, double value) {
    w += pixel.weight;
    s += pixel.weight * ink;
    v += pixel.weight * value;
    ss += pixel.weight * ink * ink;
    sv += pixel.weight * ink * value;
    edge += pixel.weight * ink * (1.0 - ink);
  }
};
constexpr std::size_t kSectors = 8;

/// The least share of the contrast that an eighth of the edge has or has too much; 0 where one is
/// not in sight.
double completeness_of(const std::array<Sector, kSectors>& sectors, double amplitude) {
  double edge = 0.0;
  for (const Sector& sector : sectors) edge += sector.edge / kSectors;
  double completeness = 1e9;
  for (const Sector& sector : sectors) {
    const double spread = sector.ss * sector.w - sector.s * sector.s;
    if (!(sector.edge > kMinEdgeShare * edge) || !(spread > 0.0)) return 0.0;
    const double share = (sector.sv * sector.w - sector.s * sector.v) / spread / amplitude;
    completeness = std::min({completeness, share, 2.0 - share});
  }
  return completeness;
}

/// What the residuals say of an edge that waves three or four times around the dot.
struct Waves {
  std::array<double, 4> product{};
  std::array<double, 4> square{};

  void add(double turn, double by_edge, double weight, double residual) {
    const std::array<double, 4> waves = {
        std::cos(3.0 * turn), std::sin(3.0 * turn), std::cos(4.0 * turn), std::sin(4.0 * turn)};
    for (std::size_t i = 0; i < 4; ++i) {
      const double t = by_edge * waves[i];
      product[i] += weight * t * residual;
      square[i] += weight * t * t;
    }
  }
  [[nodiscard]] double amplitude() const {
    const auto wave = [&](std::size_t i) { return square[i] > 0.0 ? product[i] / square[i] : 0.0; };
    return std::max(std::hypot(wave(0), wave(1)), std::hypot(wave(2), wave(3)));
  }
};

/// See Dot::completeness and Dot::out_of_round.
struct Shape {
  double completeness = 0.0;
  double out_of_round = 0.0;
};

class DotFit : Base {
 public:
  DotFit(ImageView<const float> image, const DotGuess& guess, const DotOptions& options)
      : Base("dot",
             guess.p_px,
             {guess.radius * guess.first, guess.radius * guess.radius * guess.second}),
        image_(image),
        guess_(guess),
        options_(options),
        spacing_(guess.spacing > 0.0 ? guess.spacing / guess.radius : kUnknownSpacing) {
    const Eigen::JacobiSVD<Eigen::Matrix2d> axes(known_.first);
    longer_px_ = axes.singularValues()[0];
    shorter_px_ = axes.singularValues()[1];
    mean_radius_px_ = std::sqrt(longer_px_ * shorter_px_);
    p_[Model::kS11] = p_[Model::kS22] = 1.0;
    p_[Model::kLogBlur] =
        std::log(std::max(detail::kMinBlurPx, guess.blur_px > 0.0 ? guess.blur_px : 1.0));
  }

  Result<Dot> run() {
    if (Result<void> begun = begin(); !begun) return fail(begun.error());
    const Rules rules = this->rules();
    const double enough_px = options_.rough ? detail::kSearchConvergedPx : detail::kConvergedPx;
    // Twice: the window depends on place, size and blur.
    for (int round = 0; round < 2; ++round) {
      if (round > 0) {
        const Window window = this->window();
        if (Result<void> taken = take_window(window, selection_of(longer_px_, options_.rough, p_));
            !taken)
          return fail(taken.error());
      }
      if (Result<void> found = minimise(rules,
                                        round == 0 ? detail::kNearPx : enough_px,
                                        options_.max_move_share * mean_radius_px_);
          !found)
        return fail(found.error());
      if (!(p_[Model::kS11] * p_[Model::kS22] - p_[Model::kS12] * p_[Model::kS12] > kMinDet))
        return refuse("not the size of a dot");
    }
    if (Result<void> converged =
            check_converged(options_.rough ? detail::kSearchCreepPx : detail::kCreepPx);
        !converged)
      return fail(converged.error());
    return measured(rules);
  }

 private:
  // The first pixels and the start of the unknowns.
  Result<void> begin() {
    if (!(shorter_px_ >= kMinRadiusPx) || !(longer_px_ <= kMostRadiusPx) ||
        !(longer_px_ <= kMostFlatness * shorter_px_))
      return refuse(
          fmt::format("radii {:.1f} x {:.1f} px, need {:.1f} to {:.0f} px and no more "
                      "than {:.0f} times as long as wide",
                      longer_px_,
                      shorter_px_,
                      kMinRadiusPx,
                      kMostRadiusPx,
                      kMostFlatness));
    const Window window = this->window();
    if (Result<void> taken = take_window(window, first_selection(window, guess_.blur_px)); !taken)
      return taken;
    choose_start([&](const auto& try_start) {
      if (guess_.blur_px > 0.0) return try_start(p_);
      Unknowns start = p_;
      for (const double blur : kFirstBlursPx) {
        if (blur > std::max(1.0, 0.7 * mean_radius_px_)) break;
        start[Model::kLogBlur] = std::log(blur);
        try_start(start);
      }
    });
    return {};
  }

  [[nodiscard]] Window window() const { return window_of(known_, spacing_, shorter_px_, p_); }

  Result<void> take_window(const Window& window, const Selection& selection) {
    return take(gather(image_, start_px_, known_, window, selection, p_), kMinPixels);
  }

  [[nodiscard]] Rules rules() const {
    Rules rules;
    rules[Model::kX].most_step = rules[Model::kY].most_step = std::max(1.0, 0.2 * shorter_px_);
    for (const int i : {Model::kS11, Model::kS22})
      rules[static_cast<std::size_t>(i)] = {.low = 0.3, .high = 3.0, .most_step = 0.2};
    rules[Model::kS12] = {.low = -0.9, .high = 0.9, .most_step = 0.2};
    rules[Model::kLogBlur] = {
        .low = std::log(detail::kMinBlurPx),
        .high = std::log(std::max(1.0, 2.0 * longer_px_)),
        .most_step = 0.5,
        .prior = p_[Model::kLogBlur],
        .prior_width = guess_.blur_px > 0.0 ? kPriorWidth : 2.0 * kPriorWidth};
    // The image of a small, blurred dot on a slope of light and that of a moved dot are all but the
    // same: the slope has to be no steeper than light is.
    for (int i = 0; i < 2; ++i)
      rules[static_cast<std::size_t>(Model::kBx + i)] = {
          .prior = p_[Model::kB] * guess_.contrast_slope[i],
          .prior_width = std::abs(p_[Model::kB]) * kContrastSlope};
    return rules;
  }

  [[nodiscard]] Shape shape() const {
    const Model model(p_, known_);
    std::array<Sector, kSectors> sectors{};
    Waves waves;
    for (const FitPixel& pixel : pixels_) {
      const Model::Look look = model.look(pixel.x, pixel.y);
      const double residual = pixel.value - model.at(pixel.x, pixel.y, nullptr);
      const double turn = std::atan2(look.place.y(), look.place.x());
      const double share = turn / (2.0 * std::numbers::pi) + 0.5;
      sectors[std::min(kSectors - 1, static_cast<std::size_t>(share * kSectors))].add(
          pixel, look.ink, pixel.value - p_[Model::kAx] * pixel.x - p_[Model::kAy] * pixel.y);
      waves.add(turn, look.by_edge, pixel.weight, residual);
    }
    return {.completeness = completeness_of(sectors, amplitude()),
            .out_of_round = waves.amplitude()};
  }

  // The result, where it is good.
  [[nodiscard]] Result<Dot> measured(const Rules& rules) const {
    Eigen::Matrix2d s;
    s << p_[Model::kS11], p_[Model::kS12], p_[Model::kS12], p_[Model::kS22];
    Dot dot;
    describe(amplitude(), dot);
    dot.px_from_circle = known_.first * s.inverse();
    dot.radius = guess_.radius / std::sqrt(s.determinant());
    if (Result<void> fits = check_misfit(dot, options_.max_misfit); !fits)
      return fail(fits.error());
    const Shape shape = this->shape();
    dot.completeness = shape.completeness;
    dot.out_of_round = shape.out_of_round;
    if (Result<void> is_dot = check_shape(dot); !is_dot) return fail(is_dot.error());
    if (Result<void> known = add_covariance(rules, dot); !known) return fail(known.error());
    return dot;
  }

  [[nodiscard]] Result<void> check_shape(const Dot& dot) const {
    if (!(dot.completeness >= options_.min_completeness))
      return refuse(dot.p_px,
                    fmt::format("part of the edge is missing; found {:.2f} of the contrast, need "
                                "{:.2f}",
                                dot.completeness,
                                options_.min_completeness));
    if (!(dot.out_of_round <= options_.max_out_of_round))
      return refuse(dot.p_px,
                    fmt::format("not round: {:.0f} % of the radius, at most {:.0f} %",
                                100.0 * dot.out_of_round,
                                100.0 * options_.max_out_of_round));
    if (dot.blur_px > std::max(1.0, kMostBlurShare * std::sqrt(dot.px_from_circle.determinant())))
      return refuse(dot.p_px,
                    fmt::format("blur {:.1f} px, too much for a dot this size", dot.blur_px));
    return {};
  }

  ImageView<const float> image_;
  const DotGuess& guess_;
  const DotOptions& options_;
  double spacing_;          // to the nearest neighbour, in radii of the guess
  double longer_px_ = 0.0;  // half axes
  double shorter_px_ = 0.0;
  double mean_radius_px_ = 0.0;
};

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
  return DotFit(image, guess, options).run();
}

}  // namespace trueplate::target
