#include "calib/target/detail/dot_model.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <random>

using namespace trueplate::target::detail;
using Unknowns = DotModel::Unknowns;

TEST_CASE("a round dot is the Gaussian blur of a disc, away from its middle") {
  // Reference: the disc's rows under the Gaussian, summed by Simpson's rule.
  const double radius = 7.0;
  const double blur = 1.2;
  DotSurroundings known;
  known.first = radius * Eigen::Matrix2d::Identity();
  Unknowns p = Unknowns::Zero();
  p[DotModel::kS11] = p[DotModel::kS22] = 1.0;
  p[DotModel::kLogBlur] = std::log(blur);
  p[DotModel::kB] = 1.0;
  const DotModel model(p, known);
  const auto below = [](double t) { return 0.5 * std::erfc(-t / std::numbers::sqrt2); };
  double worst = 0.0;
  for (double d = 0.0; d < 13.0; d += 0.25) {
    constexpr int kIntervals = 4000;
    double sum = 0.0;
    for (int i = 1; i < kIntervals; ++i) {
      const double t = -radius + 2.0 * radius * i / kIntervals;
      const double half = std::sqrt(radius * radius - t * t);
      const double along = below((d + half) / blur) - below((d - half) / blur);
      sum += (i % 2 == 1 ? 4.0 : 2.0) * along * std::exp(-0.5 * t * t / (blur * blur));
    }
    sum *= 2.0 * radius / kIntervals / 3.0 / (blur * std::sqrt(2.0 * std::numbers::pi));
    worst = std::max(worst, std::abs(sum - model.at(d * 0.8, d * 0.6, nullptr)));
  }
  // The next term is of second order in blur / radius.
  CHECK(worst < 0.004);
}

TEST_CASE("derivatives agree with differences") {
  std::mt19937 random(9);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  for (int trial = 0; trial < 200; ++trial) {
    DotSurroundings known;
    known.first << 6.0 + unit(random), unit(random), unit(random), 4.0 + unit(random);
    if (trial % 3 != 0)
      for (int i = 0; i < 6; ++i) known.second(i / 3, i % 3) = 0.3 * unit(random);
    Unknowns p;
    // A small blur: the shift by curvature, whose spread over the edge is not differentiated, is
    // small with it.
    p << unit(random), unit(random), 1.0 + 0.2 * unit(random), 0.1 * unit(random),
        1.0 + 0.2 * unit(random), std::log(0.3) + 0.2 * unit(random), 0.3, 0.02 * unit(random),
        0.02 * unit(random), -0.8, 0.02 * unit(random), 0.02 * unit(random);
    // Near the edge, where the derivatives are not 0.
    const double turn = 3.14159 * unit(random);
    const Eigen::Vector2d c =
        (1.0 + 0.1 * unit(random)) * Eigen::Vector2d(std::cos(turn), std::sin(turn));
    const double x = p[DotModel::kX] + (known.first * c).x();
    const double y = p[DotModel::kY] + (known.first * c).y();
    Unknowns row;
    DotModel(p, known).at(x, y, &row);
    for (int i = 0; i < DotModel::kNumUnknowns; ++i) {
      constexpr double kStep = 1e-5;
      Unknowns up = p, down = p;
      up[i] += kStep;
      down[i] -= kStep;
      const double difference =
          (DotModel(up, known).at(x, y, nullptr) - DotModel(down, known).at(x, y, nullptr)) /
          (2.0 * kStep);
      CHECK(std::abs(row[i] - difference) < 0.04 * std::max(1.0, row.head<6>().norm()));
    }
  }
}

TEST_CASE("the bent map is inverted: a ring on the chart has one ink") {
  DotSurroundings known;
  known.first << 6.0, 0.5, -0.4, 5.0;
  known.second << 0.3, -0.1, 0.2, 0.1, 0.25, -0.2;
  Unknowns p = Unknowns::Zero();
  p[DotModel::kX] = 0.3;
  p[DotModel::kY] = -0.2;
  p[DotModel::kS11] = p[DotModel::kS22] = 1.0;
  const DotModel model(p, known);
  for (double t = 0.0; t < 6.28; t += 0.3) {
    const Eigen::Vector2d c(std::cos(t), std::sin(t));
    const Eigen::Vector2d x =
        Eigen::Vector2d(0.3, -0.2) + known.first * c +
        known.second * Eigen::Vector3d(0.5 * c[0] * c[0], c[0] * c[1], 0.5 * c[1] * c[1]);
    CHECK((model.place(x.x(), x.y()) - c).norm() < 1e-6);
  }
}
