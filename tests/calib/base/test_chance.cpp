#include "calib/base/chance.h"

#include <doctest/doctest.h>

#include <cmath>
#include <initializer_list>
#include <limits>

using namespace trueplate;

// Upper points of the F distribution: table 1.3.6.7.3 of the NIST/SEMATECH e-Handbook of
// Statistical Methods; values from memory.
TEST_CASE("the F distribution's tail") {
  CHECK(f_tail(4.965, 1.0, 10.0) == doctest::Approx(0.05).epsilon(1e-3));
  CHECK(f_tail(4.103, 2.0, 10.0) == doctest::Approx(0.05).epsilon(1e-3));
  CHECK(f_tail(4.103, 5.0, 20.0) == doctest::Approx(0.01).epsilon(1e-3));
  CHECK(f_tail(1.840, 10.0, 200.0) == doctest::Approx(0.0559).epsilon(2e-2));
  // F(2, n) has the closed form (1 + 2 f / n)^(-n / 2).
  for (const double n : {10.0, 1000.0, 20000.0}) {
    for (const double f : {0.5, 5.0, 50.0}) {
      CHECK(f_tail(f, 2.0, n) ==
            doctest::Approx(std::pow(1.0 + 2.0 * f / n, -0.5 * n)).epsilon(1e-8));
    }
  }
  CHECK(f_tail(0.0, 3.0, 10.0) == 1.0);
}

TEST_CASE("chi-square chances are those of the tables") {
  // Abramowitz and Stegun 1964, table 26.8: values exceeded with chance 0.05 and 0.01.
  CHECK(chi_square_tail(3.84146, 1) == doctest::Approx(0.05).epsilon(1e-4));
  CHECK(chi_square_tail(5.99146, 2) == doctest::Approx(0.05).epsilon(1e-4));
  CHECK(chi_square_tail(18.3070, 10) == doctest::Approx(0.05).epsilon(1e-4));
  CHECK(chi_square_tail(24.9958, 15) == doctest::Approx(0.05).epsilon(1e-4));
  CHECK(chi_square_tail(50.8922, 30) == doctest::Approx(0.01).epsilon(1e-4));
  CHECK(chi_square_tail(0.0, 3) == 1.0);
}

TEST_CASE("chances of what is no number, or beyond all numbers") {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  CHECK(chi_square_tail(kNan, 3.0) == 1.0);
  CHECK(chi_square_tail(kInfinity, 3.0) == 0.0);
  CHECK(chi_square_tail(1e6, 3.0) == 0.0);
  CHECK(f_tail(kNan, 2.0, 10.0) == 1.0);
  CHECK(f_tail(kInfinity, 2.0, 10.0) == 0.0);
  // (1 + 2 f / n)^(-n / 2) once more, far below the least difference from 1.
  CHECK(f_tail(1e4, 2.0, 60.0) == doctest::Approx(std::pow(1.0 + 2e4 / 60.0, -30.0)).epsilon(1e-9));
}
