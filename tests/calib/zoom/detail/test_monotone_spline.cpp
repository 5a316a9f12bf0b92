#include "calib/zoom/detail/monotone_spline.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <limits>
#include <vector>

namespace trueplate::zoom::detail {
namespace {

Eigen::RowVectorXd row(const std::vector<double>& values) {
  return Eigen::Map<const Eigen::RowVectorXd>(values.data(),
                                              static_cast<Eigen::Index>(values.size()));
}

}  // namespace

TEST_CASE("a monotone cubic goes through itself") {
  // The not-a-knot spline of values of a cubic is that cubic (de Boor 1978); x^3 + x grows, and
  // nowhere by more than three times its secants. The smooth limit takes a little off.
  const std::vector<double> knots{0.5, 0.9, 1.2, 1.8, 2.0};
  std::vector<double> values;
  for (const double x : knots) values.push_back(x * x * x + x);
  const MonotoneSpline spline(knots);
  for (double x = 0.5; x <= 2.0; x += 0.01) {
    CHECK(spline.at(row(values), x)[0] == doctest::Approx(x * x * x + x).epsilon(1e-4));
    CHECK(spline.weights(x).dot(row(values)) == doctest::Approx(x * x * x + x).epsilon(1e-12));
    CHECK(spline.weights(x).sum() == doctest::Approx(1.0));
  }
}

TEST_CASE("one, two and three knots are a constant, a line and a parabola") {
  CHECK(MonotoneSpline({3.0}).at(row({7.0}), 9.0)[0] == 7.0);
  CHECK(MonotoneSpline({3.0}).weights(-1.0)[0] == 1.0);
  CHECK(MonotoneSpline({1.0, 3.0}).at(row({2.0, 6.0}), 2.5)[0] ==
        doctest::Approx(5.0).epsilon(1e-4));
  CHECK(MonotoneSpline({1.0, 2.0, 4.0}).at(row({1.0, 4.0, 16.0}), 3.0)[0] ==
        doctest::Approx(9.0).epsilon(1e-3));
}

TEST_CASE("data that rise are never left behind or overtaken") {
  // The data called RPN 14 of Fritsch and Carlson 1980, from memory; a spline overshoots 1 there.
  const std::vector<double> knots{7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0};
  const std::vector<double> values{
      0.0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994};
  const MonotoneSpline spline(knots);
  double before = -1e-12;
  for (double x = 7.99; x <= 20.0; x += 0.001) {
    const double here = spline.at(row(values), x)[0];
    CHECK_MESSAGE(here >= before - 1e-12, x);
    before = here;
  }
  CHECK(before <= 0.999994 + 1e-12);
}

TEST_CASE("values that turn are not overshot, rows do not mind each other, NaN stays in its row") {
  const double nan = std::numeric_limits<double>::quiet_NaN();
  Eigen::MatrixXd values(3, 4);
  values << 0.0, 5.0, -5.0, 0.0, 1.0, 1.0, 1.0, 1.0, nan, 1.0, 2.0, nan;
  const MonotoneSpline spline({0.0, 1.0, 2.0, 3.0});
  for (double x = -0.0; x <= 3.0; x += 0.01) {
    const Eigen::VectorXd here = spline.at(values, x);
    CHECK(std::abs(here[0]) <= 5.0);
    CHECK(here[1] == doctest::Approx(1.0).epsilon(1e-12));
    CHECK(std::isnan(here[2]));
  }
}

TEST_CASE("beyond the knots it goes on straight, and is continuous") {
  const MonotoneSpline spline({0.0, 1.0, 2.0, 3.0});
  const Eigen::RowVectorXd values = row({0.0, 1.0, 4.0, 9.0});
  for (const double end : {0.0, 3.0}) {
    CHECK(spline.at(values, end - 1e-9)[0] == doctest::Approx(spline.at(values, end + 1e-9)[0]));
  }
  const double step = spline.at(values, 4.0)[0] - spline.at(values, 3.5)[0];
  CHECK(spline.at(values, 5.0)[0] - spline.at(values, 4.5)[0] == doctest::Approx(step));
}

}  // namespace trueplate::zoom::detail
