#include "calib/target/detail/saddle_model.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <random>

#include "calib/base/geometry.h"

using trueplate::Point2d;
using namespace trueplate::target::detail;

namespace {

constexpr double kPi = std::numbers::pi;

// A corner at the origin: the plain shape s, from -1 to 1.
SaddleModel::Unknowns shape(double angle_u, double angle_v, double blur) {
  SaddleModel::Unknowns p = SaddleModel::Unknowns::Zero();
  p[SaddleModel::kAngleU] = angle_u;
  p[SaddleModel::kAngleV] = angle_v;
  p[SaddleModel::kLogBlur] = std::log(blur);
  p[SaddleModel::kB] = 1.0;
  return p;
}

// The sharp pattern: +1 between the directions u and v and opposite, else -1.
double sharp(double x, double y, double angle_u, double angle_v) {
  const double from_u = std::cos(angle_u) * y - std::sin(angle_u) * x;
  const double from_v = std::sin(angle_v) * x - std::cos(angle_v) * y;
  return (from_u > 0.0) == (from_v > 0.0) ? 1.0 : -1.0;
}

// The same blurred, as an integral along edge v's normal of the conditional expectation: another
// route than the model's, by Simpson's rule with 2 x 4000 intervals that meet at the jump.
double blurred(double x, double y, double angle_u, double angle_v, double blur) {
  const double h = (std::cos(angle_u) * y - std::sin(angle_u) * x) / blur;
  const double k = (std::sin(angle_v) * x - std::cos(angle_v) * y) / blur;
  const double r = -std::cos(angle_u - angle_v);
  const double q = std::sqrt(1.0 - r * r);
  const auto integrand = [&](double t) {
    return std::exp(-0.5 * t * t) / std::sqrt(2.0 * kPi) *
           std::erf((k + r * t) / (q * std::numbers::sqrt2));
  };
  const auto simpson = [&](double a, double b) {
    constexpr int kIntervals = 4000;
    const double step = (b - a) / kIntervals;
    double sum = integrand(a) + integrand(b);
    for (int i = 1; i < kIntervals; ++i) sum += (i % 2 == 1 ? 4.0 : 2.0) * integrand(a + i * step);
    return sum * step / 3.0;
  };
  const double jump = std::clamp(-h, -9.0, 9.0);  // h + t changes sign
  return simpson(jump, 9.0) - simpson(-9.0, jump);
}

}  // namespace

TEST_CASE("the shape is the Gaussian blur of two crossing edges, at any angle") {
  double worst = 0.0;
  for (const double between : {90.0, 75.0, 110.0, 45.0, 130.0, 25.0, 160.0}) {
    for (const double turn : {0.0, 33.0}) {
      const double u = turn * kPi / 180.0;
      const double v = u + between * kPi / 180.0;
      const SaddleModel model(shape(u, v, 1.3), Bends{0.0, 0.0});
      for (double y = -4.0; y <= 4.0; y += 0.63)
        for (double x = -4.0; x <= 4.0; x += 0.57)
          worst = std::max(worst, std::abs(model.at(x, y, nullptr) - blurred(x, y, u, v, 1.3)));
    }
  }
  MESSAGE("largest difference " << worst);
  CHECK(worst < kShapeTolerance);
}

TEST_CASE("the shape agrees with a plain sum over a blurred picture") {
  constexpr double kStep = 0.02;
  const double u = 0.2;
  const double v = 0.2 + 1.1;
  const SaddleModel model(shape(u, v, 1.0), Bends{0.0, 0.0});
  for (const auto& [x, y] : {std::pair{0.0, 0.0}, {0.7, -0.4}, {-1.2, 0.1}, {0.3, 1.9}}) {
    double sum = 0.0;
    for (double b = -5.0; b < 5.0; b += kStep)
      for (double a = -5.0; a < 5.0; a += kStep)
        sum += std::exp(-0.5 * (a * a + b * b)) * sharp(x + a, y + b, u, v);
    sum *= kStep * kStep / (2.0 * kPi);
    CHECK(model.at(x, y, nullptr) == doctest::Approx(sum).epsilon(2e-3).scale(1.0));
  }
}

TEST_CASE("at the crossing the shape is 2/pi asin(r)") {
  // The quadrant probability of a bivariate normal distribution, 1/4 + asin(r) / (2 pi):
  // W. F. Sheppard, On the application of the theory of error to cases of normal distribution and
  // normal correlation, Phil. Trans. A 192 (1899). Formula from memory.
  for (double between = 20.0; between <= 160.0; between += 7.0) {
    const double r = -std::cos(between * kPi / 180.0);
    const SaddleModel model(shape(0.4, 0.4 + between * kPi / 180.0, 2.0), Bends{0.0, 0.0});
    CHECK(std::abs(model.at(0.0, 0.0, nullptr) - 2.0 / kPi * std::asin(r)) < kShapeTolerance);
  }
}

TEST_CASE("perpendicular edges give the product of two error functions") {
  const SaddleModel model(shape(0.0, kPi / 2.0, 1.5), Bends{0.0, 0.0});
  for (double y = -3.0; y < 3.0; y += 0.41)
    for (double x = -3.0; x < 3.0; x += 0.37)
      CHECK(std::abs(model.at(x, y, nullptr) - std::erf(x / (1.5 * std::numbers::sqrt2)) *
                                                   std::erf(y / (1.5 * std::numbers::sqrt2))) <
            kShapeTolerance);
}

TEST_CASE("a known curvature bends the edges towards the other direction") {
  const double u = 0.3;
  const double v = 0.3 + 1.4;
  constexpr double kBend = 0.02;
  const Point2d along_u(std::cos(u), std::sin(u));
  const Point2d along_v(std::cos(v), std::sin(v));
  const Point2d beside_u(-std::sin(u), std::cos(u));  // towards +v
  const Point2d beside_v(std::sin(v), -std::cos(v));  // towards +u
  const SaddleModel bent_u(shape(u, v, 0.5), Bends{kBend, 0.0});
  const SaddleModel bent_v(shape(u, v, 0.5), Bends{0.0, kBend});
  for (const double t : {-8.0, -5.0, 5.0, 8.0}) {
    Point2d p = t * along_u + 0.5 * kBend * t * t * beside_u;
    CHECK(std::abs(bent_u.at(p.x(), p.y(), nullptr)) < 1e-6);
    p = t * along_v + 0.5 * kBend * t * t * beside_v;
    CHECK(std::abs(bent_v.at(p.x(), p.y(), nullptr)) < 1e-6);
  }
  // The straight continuation of u lies on the side away from +v: dark on +u, light on -u.
  CHECK(bent_u.at(8.0 * along_u.x(), 8.0 * along_u.y(), nullptr) < -0.5);
  CHECK(bent_v.at(8.0 * along_v.x(), 8.0 * along_v.y(), nullptr) < -0.5);
}

TEST_CASE("derivatives agree with central differences") {
  std::mt19937 random(7);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  constexpr double kStep = 1e-5;
  double worst = 0.0;
  for (int trial = 0; trial < 200; ++trial) {
    SaddleModel::Unknowns p;
    for (int i = 0; i < SaddleModel::kNumUnknowns; ++i) p[i] = 0.3 * uniform(random);
    p[SaddleModel::kAngleU] = uniform(random);
    p[SaddleModel::kAngleV] = p[SaddleModel::kAngleU] + kPi / 2.0 + 0.9 * uniform(random);
    p[SaddleModel::kB] = 1.0;
    p[SaddleModel::kLogBlur] = uniform(random);
    const double bend_u = 0.02 * uniform(random);
    const double bend_v = 0.02 * uniform(random);
    // Near enough for all terms to count: beyond 4.8 blurs a distance is taken as infinite, a jump
    // of 2e-6 that a difference of 1e-5 would turn into 0.1.
    const double blur = std::exp(p[SaddleModel::kLogBlur]);
    const double x = p[SaddleModel::kX] + 1.2 * blur * uniform(random);
    const double y = p[SaddleModel::kY] + 1.2 * blur * uniform(random);
    SaddleModel::Unknowns row;
    SaddleModel(p, Bends{bend_u, bend_v}).at(x, y, &row);
    for (int i = 0; i < SaddleModel::kNumUnknowns; ++i) {
      SaddleModel::Unknowns more = p;
      SaddleModel::Unknowns less = p;
      more[i] += kStep;
      less[i] -= kStep;
      const double difference = (SaddleModel(more, Bends{bend_u, bend_v}).at(x, y, nullptr) -
                                 SaddleModel(less, Bends{bend_u, bend_v}).at(x, y, nullptr)) /
                                (2.0 * kStep);
      worst = std::max(worst, std::abs(difference - row[i]));
    }
  }
  MESSAGE("largest difference " << worst);
  CHECK(worst < 2e-5);
}
