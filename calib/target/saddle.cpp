#include "calib/target/saddle.h"

#include <fmt/format.h>

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <vector>

namespace trueplate::target {
namespace {

constexpr double kSqrtHalf = 1.0 / std::numbers::sqrt2;
constexpr double kInvSqrt2Pi = std::numbers::inv_sqrtpi * kSqrtHalf;

// Below this sine of the angle between the edges (17 degrees) a corner is too flat to measure.
constexpr double kMinSine = 0.3;
constexpr double kMinStepPx = 3.0;
constexpr double kMinBlurPx = 0.2;  // a little less than a pixel's own area causes, sqrt(1/12)
constexpr int kMinPixels = 24;
constexpr int kMaxIterations = 30;
constexpr double kConvergedPx = 2e-5;
constexpr double kTaperStart = 0.6;  // share of the window where the weights begin to fall

// Order of the unknowns. The first five are not linear.
enum Unknown {
  kX,
  kY,
  kAngleU,
  kAngleV,
  kLogBlur,
  kA,
  kAx,
  kAy,
  kB,
  kBx,
  kBy,
  kC,
  kNumUnknowns,
};
using Unknowns = Eigen::Matrix<double, kNumUnknowns, 1>;
using Normal = Eigen::Matrix<double, kNumUnknowns, kNumUnknowns>;

// Positions relative to the first guess, so that single digits remain for the fit.
struct Pixel {
  double x, y;
  double value;
  double weight;
};

struct Nodes {
  int count = 0;
  std::array<double, 8> sine{};       // correlation at the node
  std::array<double, 8> half_sec2{};  // 1 / (2 cos^2)
  std::array<double, 8> weight{};     // Gauss weight * interval / 2 pi * 4
};

// L(h, k; r) - F(h) F(k) = 1 / (2 pi) int_0^asin(r) exp(-(h^2 + k^2 - 2 h k sin t) / (2 cos^2 t))
// dt (Drezner and Wesolowsky 1990, in the form of Genz 2004); Gauss-Legendre in t. The number of
// nodes keeps the error below 1e-6 up to |r| = 0.9, far below any pixel's noise.
Nodes make_nodes(double correlation) {
  static constexpr std::array<double, 2> kX3 = {0.0, 0.7745966692414834};
  static constexpr std::array<double, 2> kW3 = {0.8888888888888888, 0.5555555555555556};
  static constexpr std::array<double, 4> kX8 = {
      0.1834346424956498, 0.5255324099163290, 0.7966664774136267, 0.9602898564975363};
  static constexpr std::array<double, 4> kW8 = {
      0.3626837833783620, 0.3137066458778873, 0.2223810344533745, 0.1012285362903763};
  Nodes nodes;
  const double half = 0.5 * std::asin(std::clamp(correlation, -1.0, 1.0));
  const auto add = [&](double abscissa, double weight) {
    const double sine = std::sin(half * (1.0 + abscissa));
    const auto i = static_cast<std::size_t>(nodes.count++);
    nodes.sine[i] = sine;
    nodes.half_sec2[i] = 0.5 / (1.0 - sine * sine);
    nodes.weight[i] = 4.0 * weight * half / (2.0 * std::numbers::pi);
  };
  if (std::abs(correlation) < 1e-7) return nodes;
  if (std::abs(correlation) < 0.2) {
    for (std::size_t i = 0; i < kX3.size(); ++i) {
      add(kX3[i], kW3[i]);
      if (i != 0) add(-kX3[i], kW3[i]);
    }
  } else {
    for (std::size_t i = 0; i < kX8.size(); ++i) {
      add(kX8[i], kW8[i]);
      add(-kX8[i], kW8[i]);
    }
  }
  return nodes;
}

// What is the same for all pixels at one set of unknowns.
struct Model {
  Model(const Unknowns& unknowns, const SaddleGuess& guess)
      : p(unknowns),
        cos_u(std::cos(p[kAngleU])),
        sin_u(std::sin(p[kAngleU])),
        cos_v(std::cos(p[kAngleV])),
        sin_v(std::sin(p[kAngleV])),
        inv_blur(std::exp(-p[kLogBlur])),
        bend_u(guess.curvature_u),
        bend_v(guess.curvature_v) {
    // Signed distances: d_u grows towards +v, d_v towards +u.
    correlation = -(cos_u * cos_v + sin_u * sin_v);
    inv_q = 1.0 / std::sqrt(std::max(1e-6, 1.0 - correlation * correlation));
    correlation_by_angle_u = sin_u * cos_v - cos_u * sin_v;
    nodes = make_nodes(correlation);
  }

  // The model's value, and its derivatives when `row` is given.
  double at(double x, double y, Unknowns* row) const {
    const double dx = x - p[kX];
    const double dy = y - p[kY];
    const double tu = cos_u * dx + sin_u * dy;
    const double tv = cos_v * dx + sin_v * dy;
    const double nu = cos_u * dy - sin_u * dx;
    const double nv = sin_v * dx - cos_v * dy;
    const double h = (nu - 0.5 * bend_u * tu * tu) * inv_blur;
    const double k = (nv - 0.5 * bend_v * tv * tv) * inv_blur;
    double s = std::erf(h * kSqrtHalf) * std::erf(k * kSqrtHalf);
    const double h2 = h * h;
    const double k2 = k * k;
    if (h2 + k2 < 80.0) {
      for (int i = 0; i < nodes.count; ++i) {
        const auto n = static_cast<std::size_t>(i);
        s += nodes.weight[n] *
             std::exp(-(h2 + k2 - 2.0 * h * k * nodes.sine[n]) * nodes.half_sec2[n]);
      }
    }
    const double b = p[kB] + p[kBx] * x + p[kBy] * y;
    const double value = p[kA] + p[kAx] * x + p[kAy] * y + b * s + p[kC] * s * s;
    if (row == nullptr) return value;

    const double by_s = b + 2.0 * p[kC] * s;
    const double by_h = h2 < 60.0 ? by_s * 2.0 * kInvSqrt2Pi * std::exp(-0.5 * h2) *
                                        std::erf((k - correlation * h) * inv_q * kSqrtHalf)
                                  : 0.0;
    const double by_k = k2 < 60.0 ? by_s * 2.0 * kInvSqrt2Pi * std::exp(-0.5 * k2) *
                                        std::erf((h - correlation * k) * inv_q * kSqrtHalf)
                                  : 0.0;
    const double form = h2 - 2.0 * correlation * h * k + k2;
    const double by_correlation =
        by_s * (2.0 * std::numbers::inv_pi) * inv_q * std::exp(-0.5 * form * inv_q * inv_q);
    const double lean_u = bend_u * tu;
    const double lean_v = bend_v * tv;
    Unknowns& j = *row;
    j[kX] = inv_blur * (by_h * (sin_u + lean_u * cos_u) + by_k * (-sin_v + lean_v * cos_v));
    j[kY] = inv_blur * (by_h * (-cos_u + lean_u * sin_u) + by_k * (cos_v + lean_v * sin_v));
    j[kAngleU] = -inv_blur * by_h * (tu + lean_u * nu) + by_correlation * correlation_by_angle_u;
    j[kAngleV] = inv_blur * by_k * (tv + lean_v * nv) - by_correlation * correlation_by_angle_u;
    j[kLogBlur] = -(by_h * h + by_k * k);
    j[kA] = 1.0;
    j[kAx] = x;
    j[kAy] = y;
    j[kB] = s;
    j[kBx] = x * s;
    j[kBy] = y * s;
    j[kC] = s * s;
    return value;
  }

  const Unknowns& p;
  double cos_u, sin_u, cos_v, sin_v, inv_blur;
  double bend_u, bend_v;
  double correlation = 0.0;
  double inv_q = 1.0;
  double correlation_by_angle_u = 0.0;
  Nodes nodes;
};

double taper(double t) {
  const double a = std::abs(t);
  if (a <= kTaperStart) return 1.0;
  if (a >= 1.0) return 0.0;
  return 0.5 * (1.0 + std::cos(std::numbers::pi * (a - kTaperStart) / (1.0 - kTaperStart)));
}

// The pixels of a parallelogram along the edges. Its half-length along an edge ends where the
// blurred edge through the neighbour begins.
std::vector<Pixel> gather(ImageView<const float> image,
                          const SaddleGuess& guess,
                          const SaddleOptions& options,
                          const Unknowns& p) {
  const double sine = std::max(kMinSine, std::sin(p[kAngleV] - p[kAngleU]));
  const double blur = std::exp(p[kLogBlur]);
  const double want = std::max(options.max_reach_px, 3.5 * blur / sine);
  const auto reach = [&](double step) {
    const double free = step - 2.5 * blur / sine;
    return std::min({want, 0.85 * step, std::max(free, 0.45 * step)});
  };
  const double reach_u = reach(guess.step_u_px.norm());
  const double reach_v = reach(guess.step_v_px.norm());
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
      const double weight = taper(tu / reach_u) * taper(tv / reach_v);
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
  constexpr int kNumLinear = kNumUnknowns - kA;
  using Vector = Eigen::Matrix<double, kNumLinear, 1>;
  using Matrix = Eigen::Matrix<double, kNumLinear, kNumLinear>;
  p.tail<kNumLinear>().setZero();
  p[kB] = 1.0;  // so that at() computes s itself
  const Model model(p, guess);
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

double cost_of(const std::vector<Pixel>& pixels, const SaddleGuess& guess, const Unknowns& p) {
  const Model model(p, guess);
  double cost = 0.0;
  for (const Pixel& pixel : pixels) {
    const double r = pixel.value - model.at(pixel.x, pixel.y, nullptr);
    cost += pixel.weight * r * r;
  }
  return cost;
}

struct Fit {
  bool converged = false;
  double cost = 0.0;
};

Fit minimise(const std::vector<Pixel>& pixels, const SaddleGuess& guess, Unknowns& p) {
  Fit fit;
  double damping = 1e-3;
  fit.cost = cost_of(pixels, guess, p);
  for (int iteration = 0; iteration < kMaxIterations && !fit.converged; ++iteration) {
    const Model model(p, guess);
    Normal normal = Normal::Zero();
    Unknowns right = Unknowns::Zero();
    Unknowns row;
    for (const Pixel& pixel : pixels) {
      const double r = pixel.value - model.at(pixel.x, pixel.y, &row);
      const Unknowns weighted = pixel.weight * row;
      normal.noalias() += weighted * row.transpose();
      right += r * weighted;
    }
    bool improved = false;
    while (!improved && damping < 1e8) {
      Normal damped = normal;
      damped.diagonal().array() *= 1.0 + damping;
      damped.diagonal().array() += 1e-12 * normal.diagonal().maxCoeff();
      Unknowns step = damped.ldlt().solve(right);
      if (!step.allFinite()) return fit;
      // A step out of the region where the model is nearly linear is shortened as a whole.
      const double blur = std::exp(p[kLogBlur]);
      const double excess = std::max({step.head<2>().norm() / std::max(1.0, blur),
                                      std::abs(step[kAngleU]) / 0.2,
                                      std::abs(step[kAngleV]) / 0.2,
                                      std::abs(step[kLogBlur]) / 0.5});
      if (excess > 1.0) step /= excess;
      Unknowns candidate = p + step;
      candidate[kLogBlur] = std::max(candidate[kLogBlur], std::log(kMinBlurPx));
      if (std::sin(candidate[kAngleV] - candidate[kAngleU]) < kMinSine) {
        damping *= 10.0;
        continue;
      }
      const double cost = cost_of(pixels, guess, candidate);
      if (cost <= fit.cost) {
        fit.converged = step.head<2>().norm() < kConvergedPx || fit.cost - cost <= 1e-12 * fit.cost;
        p = candidate;
        fit.cost = cost;
        damping = std::max(1e-9, 0.1 * damping);
        improved = true;
      } else {
        if (step.head<2>().norm() < kConvergedPx) {
          fit.converged = true;
          return fit;
        }
        damping *= 10.0;
      }
    }
    if (!improved) return fit;
  }
  return fit;
}

// Covariance of the position from the residuals themselves, normal^-1 (sum w^2 r^2 j j') normal^-1:
// it stays honest when residuals are larger along the edges (sharpening, tone) than in the flat
// parts, where a common variance would not. Averaged with the common-variance form, which
// scatters less; scaled for the unknowns the fit has used up.
Eigen::Matrix2d covariance(const std::vector<Pixel>& pixels,
                           const SaddleGuess& guess,
                           const Unknowns& p) {
  const Model model(p, guess);
  Normal normal = Normal::Zero();
  Normal squared = Normal::Zero();
  Normal observed = Normal::Zero();
  double cost = 0.0;
  double sum_weight = 0.0;
  Unknowns row;
  for (const Pixel& pixel : pixels) {
    const double r = pixel.value - model.at(pixel.x, pixel.y, &row);
    const Normal outer = row * row.transpose();
    const double w2 = pixel.weight * pixel.weight;
    normal += pixel.weight * outer;
    squared += w2 * outer;
    observed += w2 * r * r * outer;
    cost += pixel.weight * r * r;
    sum_weight += pixel.weight;
  }
  normal.diagonal().array() += 1e-12 * normal.diagonal().maxCoeff();
  const Normal inverse = normal.ldlt().solve(Normal::Identity());
  const double used = (inverse * squared).trace();
  const double freedom = std::max(1.0, sum_weight - used);
  const Normal common = inverse * squared * inverse * (cost / freedom);
  const Normal sandwich = inverse * observed * inverse * (sum_weight / freedom);
  return 0.5 * (common + sandwich).topLeftCorner<2, 2>();
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
      !std::isfinite(guess.curvature_v))
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

  std::vector<Pixel> pixels = gather(image, guess, options, p);
  if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few(pixels.size());
  const Scale scale = measure_scale(pixels);
  if (!(scale.factor > 0.0) || !std::isfinite(1.0 / scale.factor))
    return fail(ErrorCode::kNoChart, fmt::format("corner at {}: no contrast", where(guess.p_px)));
  apply(scale, pixels);
  Unknowns best = p;
  double best_cost = std::numeric_limits<double>::infinity();
  for (const double blur : {0.7, 1.5, 3.0, 6.0, 12.0}) {
    if (blur > 0.25 * shorter && blur > 1.0) break;
    p[kLogBlur] = std::log(blur);
    const double cost = solve_linear(pixels, guess, p);
    if (cost < best_cost) {
      best_cost = cost;
      best = p;
    }
  }
  p = best;

  // Twice: the window depends on place and blur.
  Fit fit;
  for (int round = 0; round < 2; ++round) {
    if (round > 0) {
      pixels = gather(image, guess, options, p);
      if (pixels.size() < static_cast<std::size_t>(kMinPixels)) return too_few(pixels.size());
      apply(scale, pixels);
      solve_linear(pixels, guess, p);
    }
    fit = minimise(pixels, guess, p);
    const Point2d move(p[kX], p[kY]);
    if (!(move.norm() <= options.max_move_share * shorter))
      return fail(ErrorCode::kNoChart,
                  fmt::format("corner at {}: the fit moved {:.2f} px, at most {:.2f} px allowed",
                              where(guess.p_px),
                              move.norm(),
                              options.max_move_share * shorter));
  }
  if (!fit.converged)
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
  saddle.misfit = std::sqrt(fit.cost / sum_weight) / std::abs(contrast);
  if (!(saddle.misfit <= options.max_misfit))
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: residual {:.0f} % of the contrast, at most {:.0f} %",
                            where(saddle.p_px),
                            100.0 * saddle.misfit,
                            100.0 * options.max_misfit));
  if (saddle.blur_px > 0.4 * shorter)
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: blur {:.1f} px, at most {:.1f} px for squares this size",
                            where(saddle.p_px),
                            saddle.blur_px,
                            0.4 * shorter));
  saddle.covariance_px2 = covariance(pixels, guess, p);
  if (!saddle.covariance_px2.allFinite())
    return fail(ErrorCode::kNoChart,
                fmt::format("corner at {}: the position is not determined", where(saddle.p_px)));
  return saddle;
}

}  // namespace trueplate::target
