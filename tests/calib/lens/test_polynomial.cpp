#include "calib/lens/polynomial.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>

using trueplate::lens::first_positive_root;

TEST_CASE("closed forms") {
  CHECK(std::isinf(first_positive_root(std::array{1.0})));
  CHECK(std::isinf(first_positive_root(std::array{1.0, 0.0, 0.0})));
  CHECK(std::isinf(first_positive_root(std::array{1.0, 2.0, 3.0})));
  CHECK(first_positive_root(std::array{1.0, -2.0}) == doctest::Approx(0.5).epsilon(1e-11));
  // 1 + 3 k1 r^2 = 0 for k1 = -0.3: r = 1 / sqrt(0.9)
  CHECK(first_positive_root(std::array{1.0, 0.0, -0.9}) ==
        doctest::Approx(1.0 / std::sqrt(0.9)).epsilon(1e-11));
}

TEST_CASE("the first of several roots, however close") {
  // (1 - r/3)(1 - r/3.001)(1 - r/10)
  const double a = 1.0 / 3.0;
  const double b = 1.0 / 3.001;
  const double c = 0.1;
  const std::array p{1.0, -(a + b + c), a * b + a * c + b * c, -a * b * c};
  CHECK(first_positive_root(p) == doctest::Approx(3.0).epsilon(1e-9));
}

TEST_CASE("a root far away and coefficients of very different size") {
  CHECK(first_positive_root(std::array{1.0, 0.0, -1e-12}) == doctest::Approx(1e6).epsilon(1e-10));
  CHECK(first_positive_root(std::array{1.0, 0.0, -1e12}) == doctest::Approx(1e-6).epsilon(1e-10));
  CHECK(first_positive_root(std::array{1.0, 0.0, 1e-9, 0.0, -1e-300}) > 1e9);
}
