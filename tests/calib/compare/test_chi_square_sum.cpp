// The tail of a sum of weighted chi-squares against tables.

#include "calib/compare/detail/chi_square_sum.h"

#include <doctest/doctest.h>

#include <cmath>
#include <random>

using trueplate::compare::detail::chi_square_sum_quantile;
using trueplate::compare::detail::chi_square_sum_tail;

// Chi-square tables (any handbook).
TEST_CASE("equal weights are a chi-square") {
  CHECK(chi_square_sum_tail(Eigen::VectorXd::Ones(1), 3.841459) ==
        doctest::Approx(0.05).epsilon(1e-6));
  CHECK(chi_square_sum_tail(Eigen::VectorXd::Ones(1), 6.634897) ==
        doctest::Approx(0.01).epsilon(1e-6));
  CHECK(chi_square_sum_tail(Eigen::VectorXd::Ones(10), 18.307038) ==
        doctest::Approx(0.05).epsilon(1e-6));
  CHECK(chi_square_sum_tail(Eigen::VectorXd::Constant(10, 3.0), 3.0 * 23.209251) ==
        doctest::Approx(0.01).epsilon(1e-6));
  CHECK(chi_square_sum_quantile(Eigen::VectorXd::Ones(10), 0.01) ==
        doctest::Approx(23.209251).epsilon(1e-6));
}

// J. P. Imhof, Computing the distribution of quadratic forms in normal variables, Biometrika 48,
// 1961, table 1 (from memory): weights 0.6, 0.3, 0.1.
TEST_CASE("unequal weights") {
  const Eigen::Vector3d weights(0.6, 0.3, 0.1);
  CHECK(chi_square_sum_tail(weights, 0.7) == doctest::Approx(0.5064).epsilon(0.03));
  CHECK(chi_square_sum_tail(weights, 2.0) == doctest::Approx(0.1240).epsilon(0.03));
}

TEST_CASE("against draws, with weights as of a comparison") {
  Eigen::VectorXd weights(14);
  for (int i = 0; i < 14; ++i) weights(i) = std::pow(0.5, i % 7);
  std::mt19937 random(5);
  std::normal_distribution<double> normal;
  constexpr int kDraws = 200000;
  const double limit = chi_square_sum_quantile(weights, 0.01);
  int above = 0;
  for (int n = 0; n < kDraws; ++n) {
    double sum = 0.0;
    for (int i = 0; i < 14; ++i) {
      const double z = normal(random);
      sum += weights(i) * z * z;
    }
    above += sum > limit ? 1 : 0;
  }
  CHECK(static_cast<double>(above) / kDraws == doctest::Approx(0.01).epsilon(0.1));
}
