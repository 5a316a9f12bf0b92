#include "calib/target/detail/line_crossing_model.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <random>

using namespace trueplate::target::detail;
using Model = LineCrossingModel;
using Unknowns = Model::Unknowns;

namespace {

constexpr double kPi = std::numbers::pi;

double below(double t) { return 0.5 * std::erfc(-t / std::numbers::sqrt2); }

Unknowns crossing(double angle_u, double angle_v, double blur, double width_u, double width_v) {
  Unknowns p = Unknowns::Zero();
  p[Model::kAngleU] = angle_u;
  p[Model::kAngleV] = angle_v;
  p[Model::kLogBlur] = std::log(blur);
  p[Model::kLogWidthU] = std::log(width_u);
  p[Model::kLogWidthV] = std::log(width_v);
  p[Model::kB] = 1.0;
  return p;
}

// The union of two bars under a Gaussian, by another route than the model's: a blurred point is the
// expectation over a random shift. Shifts along line v's normal are integrated by Simpson's rule
// between the jumps, the other component in closed form.
double blurred(double x, double y, double angle_u, double angle_v, double b, double wu, double wv) {
  const double h = -std::sin(angle_u) * x + std::cos(angle_u) * y;
  const double k = std::sin(angle_v) * x - std::cos(angle_v) * y;
  const double r = -std::cos(angle_v - angle_u);
  const double q = std::sqrt(1.0 - r * r);
  const auto bar = [&](double d, double w, double s) {
    return below((d + 0.5 * w) / s) - below((d - 0.5 * w) / s);
  };
  // Both bars: t is the shift along v's normal in blurs, given it h moves by r t with the rest q.
  const auto integrand = [&](double t) {
    return std::exp(-0.5 * t * t) / std::sqrt(2.0 * kPi) * bar(h + r * b * t, wu, q * b);
  };
  const double from = std::max(-9.0, (-0.5 * wv - k) / b);
  const double to = std::min(9.0, (0.5 * wv - k) / b);
  double both = 0.0;
  if (to > from) {
    constexpr int kIntervals = 4000;
    const double step = (to - from) / kIntervals;
    both = integrand(from) + integrand(to);
    for (int i = 1; i < kIntervals; ++i)
      both += (i % 2 == 1 ? 4.0 : 2.0) * integrand(from + i * step);
    both *= step / 3.0;
  }
  return bar(h, wu, b) + bar(k, wv, b) - both;
}

}  // namespace

TEST_CASE("the shape is the Gaussian blur of two crossing bars") {
  for (const double between : {90.0, 75.0, 110.0, 60.0}) {
    const double angle_u = 0.3;
    const double angle_v = angle_u + between * kPi / 180.0;
    double worst = 0.0;
    for (const double width : {0.8, 3.0, 9.0}) {
      const Model model(crossing(angle_u, angle_v, 1.3, width, 0.6 * width), {});
      for (double y = -8.0; y <= 8.0; y += 0.9)
        for (double x = -8.0; x <= 8.0; x += 0.9)
          worst = std::max(worst,
                           std::abs(model.at(x, y, nullptr) -
                                    blurred(x, y, angle_u, angle_v, 1.3, width, 0.6 * width)));
    }
    // The series ends where r^7 is left: 8e-3 at 60 degrees, of which the derivatives leave less.
    CHECK(worst < (between == 60.0 ? 2e-3 : 2e-5));
  }
}

TEST_CASE("derivatives agree with differences") {
  std::mt19937 random(7);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  for (int trial = 0; trial < 200; ++trial) {
    Unknowns p;
    p << unit(random), unit(random), 0.4 + 0.5 * unit(random), 1.9 + 0.4 * unit(random),
        0.4 * unit(random), 1.0 + unit(random), 1.0 + unit(random), 0.3, 0.02 * unit(random),
        0.02 * unit(random), -0.8, 0.02 * unit(random), 0.02 * unit(random);
    const LineShapes shapes{
        {0.01 * unit(random), 0.01 * unit(random)}, 0.02 * unit(random), 0.02 * unit(random)};
    const double x = 5.0 * unit(random);
    const double y = 5.0 * unit(random);
    Unknowns row;
    Model(p, shapes).at(x, y, &row);
    for (int i = 0; i < Model::kNumUnknowns; ++i) {
      constexpr double kStep = 1e-4;
      Unknowns up = p, down = p;
      up[i] += kStep;
      down[i] -= kStep;
      const double difference =
          (Model(up, shapes).at(x, y, nullptr) - Model(down, shapes).at(x, y, nullptr)) /
          (2.0 * kStep);
      // The densities end at 4.8 blurs, where they are 4e-6, times powers of the distance.
      CHECK(std::abs(row[i] - difference) < 2e-3 * std::max(1.0, std::abs(row[i])) * 0.5);
    }
  }
}
