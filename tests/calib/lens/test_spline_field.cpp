#include "calib/lens/spline_field.h"

#include <doctest/doctest.h>

#include "calib/lens/cubic_basis.h"
#include "tests/calib/lens/model_checks.h"

using trueplate::Point2d;
using trueplate::lens::CubicAxis;
using trueplate::lens::RadialTangential;
using trueplate::lens::SplineField;
using namespace trueplate::tests;

namespace {

constexpr int kColumns = SplineField::kColumns;
constexpr int kRows = SplineField::kRows;

/// A barrel lens with a displacement of up to `size` in every control.
SplineField::Parameters random_parameters(std::mt19937& random, double base, double size) {
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  SplineField::Parameters parameters{};
  for (int i = 0; i < 3; ++i) parameters[i] = base * unit(random);
  for (int i = 3; i < 5; ++i) parameters[i] = 0.02 * base * unit(random);
  parameters[SplineField::kHalfWidth] = 0.5 + 0.2 * unit(random);
  parameters[SplineField::kHalfHeight] = 0.3 + 0.1 * unit(random);
  for (int i = SplineField::kFirstRound; i < SplineField::kNumParameters; ++i) {
    parameters[i] = size * unit(random);
  }
  return parameters;
}

}  // namespace

// Uniform B-splines sum to 1, and with the knots' means as weights to the coordinate itself: C. de
// Boor, A Practical Guide to Splines, 1978 (Marsden's identity).
TEST_CASE("equal controls move all alike, controls at their places stretch") {
  SplineField::Parameters shifted{};
  shifted[SplineField::kHalfWidth] = 0.6;
  shifted[SplineField::kHalfHeight] = 0.35;
  SplineField::Parameters stretched = shifted;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i) {
      const int control = j * kColumns + i;
      shifted[SplineField::kFirstX + control] = 0.002;
      shifted[SplineField::kFirstY + control] = -0.001;
      const double cell = 2.0 * 0.6 / (kColumns - 3);
      stretched[SplineField::kFirstX + control] = 0.01 * (-0.6 + (i - 1) * cell);
    }
  }
  for (const double x : {-0.6, -0.31, 0.0, 0.2, 0.599}) {
    for (const double y : {-0.35, -0.1, 0.0, 0.349}) {
      const Point2d p(x, y);
      CHECK((SplineField::distort(p, shifted.data()) - p - Point2d(0.002, -0.001)).norm() < 1e-15);
      CHECK((SplineField::distort(p, stretched.data()) - Point2d(1.01 * x, y)).norm() < 1e-15);
    }
  }
}

// The uniform cubic B-spline is 2/3 at its middle, 1/6 one knot off and 0 two knots off (de Boor).
TEST_CASE("the basis has its textbook values, and its derivatives are those") {
  const CubicAxis axis(3.5, kColumns);  // cells of length 1
  const auto knot = axis.at(0.5);
  REQUIRE(knot);
  const std::array<double, 4> wanted{1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0, 0.0};
  for (std::size_t i = 0; i < 4; ++i) {
    CHECK(knot->value[i] == doctest::Approx(wanted[i]).epsilon(1e-14));
  }
  constexpr double kStep = 1e-4;
  for (const double x : {-3.3, 0.17, 2.9}) {
    const auto here = axis.at(x);
    const auto before = axis.at(x - kStep);
    const auto after = axis.at(x + kStep);
    for (std::size_t i = 0; i < 4; ++i) {
      CHECK(std::abs(here->slope[i] - (after->value[i] - before->value[i]) / (2 * kStep)) < 1e-8);
      CHECK(std::abs(here->curvature[i] - (after->slope[i] - before->slope[i]) / (2 * kStep)) <
            1e-8);
    }
  }
}

// A cubic spline holds every polynomial of degree 3 (Marsden's identity again, for its powers).
TEST_CASE("the radial-tangential model by controls of T alone, and its tangent beyond the corner") {
  const std::array<double, 3> k{-0.3, 0.12, -0.02};
  const Point2d half(0.62, 0.37);
  const double reach = half.squaredNorm();
  SplineField::Parameters parameters{0.0, 0.0, 0.0, 4e-4, -3e-4, half.x(), half.y()};
  const auto controls = SplineField::round_controls({k[0], k[1], k[2]}, half);
  std::copy(controls.begin(), controls.end(), parameters.begin() + SplineField::kFirstRound);
  const RadialTangential same({k[0], k[1], k[2], 4e-4, -3e-4});
  for (const Point2d& p : {Point2d(0.0, 0.0), Point2d(0.1, 0.05), Point2d(-0.4, 0.3), half}) {
    CHECK((SplineField::distort(p, parameters.data()) -
           RadialTangential::distort(p, same.parameters().data()))
              .norm() < 1e-15);
  }
  parameters[3] = parameters[4] = 0.0;
  const double slope = k[0] + reach * (2.0 * k[1] + reach * 3.0 * k[2]);
  const double there = 1.0 + reach * (k[0] + reach * (k[1] + reach * k[2]));
  for (const double more : {0.1, 1.0, 5.0}) {
    const Point2d p = std::sqrt(reach + more) * Point2d(0.6, 0.8);
    CHECK((SplineField::distort(p, parameters.data()) - (there + slope * more) * p).norm() < 1e-14);
  }
}

TEST_CASE("a domain is as large as it can be where all is round") {
  // With T(u) = -u / 3 the map x (1 - x^2 / 3) turns back at 1, within the rectangle or beyond.
  for (const Point2d& half : {Point2d(1.1, 0.9), Point2d(0.5, 0.3)}) {
    SplineField::Parameters parameters{0.0, 0.0, 0.0, 0.0, 0.0, half.x(), half.y()};
    const auto controls = SplineField::round_controls({-1.0 / 3.0, 0.0, 0.0}, half);
    std::copy(controls.begin(), controls.end(), parameters.begin() + SplineField::kFirstRound);
    CHECK(SplineField(parameters).max_radius() == doctest::Approx(1.0).epsilon(1e-9));
  }
}

TEST_CASE("a field that is steep in a corner costs the domain nothing elsewhere") {
  SplineField::Parameters parameters{};
  parameters[SplineField::kHalfWidth] = 0.6;
  parameters[SplineField::kHalfHeight] = 0.35;
  parameters[SplineField::kFirstX + SplineField::kNumControls - 1] = 0.5;
  const SplineField lens(parameters);
  CHECK(lens.max_radius() > 0.45);  // as near as the last control's tiles come: 3 cells
  CHECK(lens.max_radius() < 0.7);
}

TEST_CASE("outside the rectangle the field fades to the base, without a step or a kink") {
  std::mt19937 random(20260811);
  const SplineField::Parameters parameters = random_parameters(random, 0.1, 0.003);
  const double half = parameters[SplineField::kHalfWidth];
  const double cell = 2.0 * half / (kColumns - 3);
  SplineField::Parameters round = parameters;
  std::fill(round.begin() + SplineField::kFirstX, round.end(), 0.0);
  const auto displacement = [&](double x) {
    const Point2d p(x, 0.05);
    return Point2d(SplineField::distort(p, parameters.data()) -
                   SplineField::distort(p, round.data()));
  };
  CHECK(displacement(half).norm() > 1e-5);
  CHECK(displacement(half + 3.0 * cell).norm() < 1e-15);
  CHECK(displacement(half + 30.0 * cell).norm() == 0.0);
  for (const double edge : {half, half + cell, half + 2.0 * cell, half + 3.0 * cell}) {
    constexpr double kStep = 1e-6;
    const Point2d before = displacement(edge) - displacement(edge - kStep);
    const Point2d after = displacement(edge + kStep) - displacement(edge);
    CHECK((before - after).norm() < 1e-11);
  }
}

TEST_CASE("derivatives agree with central differences") {
  std::mt19937 random(20260812);
  std::uniform_real_distribution<double> unit(-0.8, 0.8);
  SplineField::Parameters k = random_parameters(random, 0.2, 0.01);
  for (int n = 0; n < 20; ++n) {
    const Point2d p(unit(random), unit(random));
    SplineField::ByIdeal by_ideal;
    SplineField::ByParameters by_parameters;
    const Point2d image =
        SplineField::distort_with_derivatives(p, k.data(), by_ideal, &by_parameters);
    CHECK((image - SplineField::distort(p, k.data())).norm() < 1e-15);
    constexpr double kStep = 1e-6;
    for (int axis = 0; axis < 2; ++axis) {
      const Point2d step = kStep * Point2d::Unit(axis);
      const Point2d slope = (SplineField::distort(Point2d(p + step), k.data()) -
                             SplineField::distort(Point2d(p - step), k.data())) /
                            (2 * kStep);
      CHECK((by_ideal.col(axis) - slope).norm() < 1e-8);
    }
    for (int i = 0; i < SplineField::kNumParameters; ++i) {
      const double kept = k[i];
      k[i] = kept + kStep;
      const Point2d after = SplineField::distort(p, k.data());
      k[i] = kept - kStep;
      const Point2d before = SplineField::distort(p, k.data());
      k[i] = kept;
      CHECK((by_parameters.col(i) - (after - before) / (2 * kStep)).norm() < 1e-8);
    }
  }
}

TEST_CASE("every point inside the domain comes back, hostile fields included") {
  constexpr unsigned kSeed = 20260813;
  MESSAGE("seed " << kSeed);
  std::mt19937 random(kSeed);
  double worst = 0.0;
  int with_domain = 0;
  for (int lens_number = 0; lens_number < 300; ++lens_number) {
    const double size = lens_number % 3 == 0 ? 0.02 : 0.003;
    const SplineField lens(random_parameters(random, lens_number % 2 == 0 ? 0.2 : 1.0, size));
    CAPTURE(lens_number);
    check_no_lies(lens, random, 20);
    if (!(lens.max_radius() > 0.0)) {
      CHECK_FALSE(lens.distort(Point2d(0.0, 0.0)));
      continue;
    }
    ++with_domain;
    worst = std::max(worst, check_round_trip(lens, random, 3.0, 80));
    check_positive_determinant(lens, random, 3.0);
  }
  CHECK(with_domain > 200);
  MESSAGE("worst residual " << worst << ", " << with_domain << " of 300 lenses with a domain");
}

TEST_CASE("without a field it is the radial-tangential model, on a domain no larger") {
  SplineField::Parameters parameters{-0.3, 0.1, -0.02, 0.0, 0.0};
  const RadialTangential base({-0.3, 0.1, -0.02, 0.0, 0.0});
  CHECK(SplineField(parameters).max_radius() == doctest::Approx(base.max_radius()).epsilon(1e-10));
  parameters[3] = 0.002;
  const RadialTangential decentred({-0.3, 0.1, -0.02, 0.002, 0.0});
  CHECK(SplineField(parameters).max_radius() <= decentred.max_radius());
  CHECK(std::isinf(SplineField().max_radius()));
  const Point2d p(0.3, -0.2);
  CHECK((*SplineField(parameters).undistort(p) - *decentred.undistort(p)).norm() < 1e-12);
}

TEST_CASE("points and coefficients that are no numbers of use are refused, not computed with") {
  std::mt19937 random(20260814);
  check_refuses_what_is_no_point(SplineField(random_parameters(random, 0.2, 0.003)));
  check_refuses_what_is_no_point(SplineField());
  SplineField::Parameters folded{};
  folded[SplineField::kHalfWidth] = 0.6;
  folded[SplineField::kHalfHeight] = 0.35;
  folded[SplineField::kFirstX + 33] = 1.0;  // folds: two thirds of it over a cell of 0.17
  folded[SplineField::kFirstX + 34] = -1.0;
  CHECK(SplineField(folded).max_radius() == 0.0);
  CHECK_FALSE(SplineField(folded).distort(Point2d(0.0, 0.0)));
  CHECK_FALSE(SplineField(folded).undistort(Point2d(0.0, 0.0)));
  SplineField::Parameters overflowing{};
  overflowing.fill(1e200);
  CHECK_FALSE(SplineField(overflowing).distort(Point2d(0.1, 0.1)));
  overflowing[SplineField::kHalfWidth] = 1e-300;
  CHECK_FALSE(SplineField(overflowing).undistort(Point2d(0.1, 0.1)));
}
