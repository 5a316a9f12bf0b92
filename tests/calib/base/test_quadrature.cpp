#include "calib/base/quadrature.h"

#include <doctest/doctest.h>

#include <cmath>

using namespace trueplate;

TEST_CASE("nodes and weights are those of the table") {
  // Abramowitz and Stegun 1964, table 25.4, n = 10 (from memory); weights there sum to 2.
  const auto nodes = gauss_legendre();
  REQUIRE(nodes.size() == 10);
  CHECK(nodes.back().place == doctest::Approx(0.973906528517172).epsilon(1e-12));
  CHECK(2.0 * nodes.back().share == doctest::Approx(0.066671344308688).epsilon(1e-12));
  CHECK(nodes[5].place == doctest::Approx(0.148874338981631).epsilon(1e-12));
  CHECK(2.0 * nodes[5].share == doctest::Approx(0.295524224714753).epsilon(1e-12));
}

TEST_CASE("means of powers are exact to degree 19") {
  for (int degree = 0; degree < 20; ++degree) {
    double mean = 0.0;
    for (const auto& [place, share] : gauss_legendre()) mean += share * std::pow(place, degree);
    CHECK(mean == doctest::Approx(degree % 2 == 1 ? 0.0 : 1.0 / (degree + 1)).epsilon(1e-12));
  }
}
