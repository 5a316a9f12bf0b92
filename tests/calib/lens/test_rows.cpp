#include "calib/lens/rows.h"

#include <doctest/doctest.h>
#include <hwy/targets.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

#include "calib/lens/detail/plain_rows.h"

using namespace trueplate;
using namespace trueplate::lens;

namespace {

Lens make_lens(const std::array<double, 5>& parameters,
               double focal_px = 2000.0,
               Point2d center_px = {1003.7, 541.2}) {
  return {.plate_size = {2048, 1080},
          .film_back = {},
          .focal_px = {focal_px, 0.97 * focal_px},
          .principal_point_px = center_px,
          .model = RadialTangential(parameters)};
}

struct Comparison {
  double worst_px = 0.0;
  long finite = 0;
  long none = 0;
  long disagreements = 0;  // one gives a point, the other does not
};

void compare(const std::optional<Point2d>& wanted, double x, double y, Comparison& result) {
  const bool none = std::isnan(x) && std::isnan(y);
  if (!wanted || none) {
    ++result.none;
    if (wanted || !none) ++result.disagreements;
    return;
  }
  ++result.finite;
  result.worst_px =
      std::max({result.worst_px, std::abs(wanted->x() - x), std::abs(wanted->y() - y)});
}

void compare_distort_row(
    const Lens& lens, double x0_px, double y_px, std::size_t count, Comparison& result) {
  std::vector<double> x(count), y(count);
  distort_row(lens, x0_px, y_px, x, y);
  for (std::size_t i = 0; i < count; ++i) {
    compare(distort_px(lens, {x0_px + static_cast<double>(i), y_px}), x[i], y[i], result);
  }
}

void compare_undistort_row(
    const Lens& lens, double x0_px, double y_px, std::size_t count, Comparison& result) {
  std::vector<double> x(count), y(count);
  undistort_row(lens, x0_px, y_px, x, y);
  for (std::size_t i = 0; i < count; ++i) {
    compare(undistort_px(lens, {x0_px + static_cast<double>(i), y_px}), x[i], y[i], result);
  }
}

void check(const Comparison& result) {
  CHECK(result.disagreements == 0);
  CHECK(result.worst_px <= kRowTolerancePx);
}

/// Runs `body` as if this processor had no better instruction set than each of those it has.
template <class Body>
void on_every_target(const Body& body) {
  const int64_t all = hwy::SupportedTargets();
  for (const int64_t best : hwy::SupportedAndGeneratedTargets()) {
    CAPTURE(hwy::TargetName(best));
    hwy::SetSupportedTargetsForTest(all & ~(best - 1));  // lower bits are better sets
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    body();
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
}

}  // namespace

TEST_CASE("rows agree with points over the plate and its overscan, on every instruction set") {
  constexpr unsigned kSeed = 20260601;
  MESSAGE("seed " << kSeed);
  on_every_target([] {
    std::mt19937 random(kSeed);
    std::uniform_real_distribution<double> unit(-1.0, 1.0);
    Comparison distorted, undistorted;
    for (int lens_number = 0; lens_number < 30; ++lens_number) {
      const Lens lens = make_lens({0.3 * unit(random),
                                   0.2 * unit(random),
                                   0.1 * unit(random),
                                   0.005 * unit(random),
                                   0.005 * unit(random)},
                                  1200.0 + 600.0 * unit(random));
      for (int row = 0; row < 4; ++row) {
        const double y_px = 540.0 + 700.0 * unit(random);
        compare_distort_row(lens, -199.5, y_px, 2448, distorted);
        compare_undistort_row(lens, -199.5, y_px, 2448, undistorted);
      }
    }
    MESSAGE("distort: largest difference " << distorted.worst_px << " px, " << distorted.finite
                                           << " points, " << distorted.none << " without image");
    MESSAGE("undistort: largest difference " << undistorted.worst_px << " px, "
                                             << undistorted.finite << " points, "
                                             << undistorted.none << " without inverse");
    check(distorted);
    check(undistorted);
    CHECK(distorted.none > 1000);  // strong lenses fold inside the picture
    CHECK(undistorted.none > 1000);
    CHECK(undistorted.finite > 100000);
  });
}

TEST_CASE("rows agree with points across the fold, down to the last bits of the edge") {
  on_every_target([] {
    Comparison distorted, undistorted;
    for (const std::array<double, 5>& parameters : {std::array{-0.3, 0.0, 0.0, 0.0, 0.0},
                                                    std::array{-0.2, 0.05, -0.04, 0.0, 0.0},
                                                    std::array{-0.2, 0.05, -0.01, 0.002, -0.001},
                                                    std::array{0.1, -0.2, 0.0, 0.0, 0.003}}) {
      const Lens lens = make_lens(parameters);
      const double radius = max_radius(lens.model);
      REQUIRE(std::isfinite(radius));
      for (double angle = 0.0; angle < 6.3; angle += 0.37) {
        const Point2d direction(std::cos(angle), std::sin(angle));
        for (double share : {-1e-3, -1e-6, -1e-9, -1e-12, -3e-16, 0.0, 3e-16, 1e-12, 1e-9, 1e-6}) {
          // A row of 16 points whose ninth lies on the edge, give or take.
          const Point2d edge = px_from_ideal(lens, radius * (1.0 + share) * direction);
          compare_distort_row(lens, edge.x() - 8.0, edge.y(), 16, distorted);
          compare_distort_row(lens, edge.x(), edge.y(), 1, distorted);
          const Point2d image = px_from_ideal(
              lens,
              (1.0 + share) * *distort(lens.model, Point2d(radius * (1.0 - 1e-12) * direction)));
          compare_undistort_row(lens, image.x() - 8.0, image.y(), 16, undistorted);
          compare_undistort_row(lens, image.x(), image.y(), 1, undistorted);
        }
      }
    }
    check(distorted);
    check(undistorted);
    CHECK(distorted.none > 100);
    CHECK(undistorted.none > 100);
    CHECK(undistorted.finite > 100);
  });
}

TEST_CASE("rows of every length, at long focal lengths and far off the centre") {
  on_every_target([] {
    Comparison distorted, undistorted;
    for (std::size_t count = 0; count <= 40; ++count) {
      const Lens lens = make_lens({-0.1, 0.02, 0.0, 1e-3, 1e-3});
      compare_distort_row(lens, 3.25, 17.5, count, distorted);
      compare_undistort_row(lens, 3.25, 17.5, count, undistorted);
    }
    for (double focal_px : {3000.0, 12000.0, 40000.0}) {
      for (const Point2d& center : {Point2d(1003.7, 541.2), Point2d(-9000.0, 4000.0)}) {
        const Lens lens = make_lens({-0.4, 1.5, 0.0, 1e-3, -2e-3}, focal_px, center);
        compare_distort_row(lens, 0.5, 3.5, 2048, distorted);
        compare_undistort_row(lens, 0.5, 3.5, 2048, undistorted);
      }
    }
    check(distorted);
    check(undistorted);
  });
}

TEST_CASE("identity lens: rows return their own points") {
  const Lens lens = make_lens({});
  std::vector<double> x(100), y(100);
  undistort_row(lens, 0.5, 7.5, x, y);
  for (std::size_t i = 0; i < x.size(); ++i) {
    CHECK(std::abs(x[i] - (static_cast<double>(i) + 0.5)) < 1e-11);
    CHECK(std::abs(y[i] - 7.5) < 1e-11);
  }
}

TEST_CASE("NaN, infinite and huge positions, and a lens of huge coefficients, do not crash") {
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  constexpr double kInf = std::numeric_limits<double>::infinity();
  on_every_target([] {
    Comparison distorted, undistorted;
    for (const std::array<double, 5>& parameters : {std::array{0.0, 0.0, 0.0, 0.0, 0.0},
                                                    std::array{-0.2, 0.05, 0.01, 1e-3, -1e-3},
                                                    std::array{0.1, 0.05, 0.01, 0.0, 0.0},
                                                    std::array{1e200, -1e300, 1e300, 1e10, 1e-300},
                                                    std::array{0.0, 0.0, 0.0, 1e30, -1e30}}) {
      const Lens lens = make_lens(parameters);
      for (double x0 : {0.5, kNan, kInf, -kInf, 1e15, -1e70, 1e200, 1e308}) {
        for (double y : {0.5, kNan, kInf, -kInf, 1e15, -1e70, 1e200, 1e308}) {
          compare_distort_row(lens, x0, y, 11, distorted);
        }
      }
      for (double x0 : {0.5, kNan, kInf, -kInf, 1e15}) {
        for (double y : {0.5, kNan, kInf}) compare_undistort_row(lens, x0, y, 11, undistorted);
      }
    }
    CHECK(distorted.disagreements == 0);
    CHECK(undistorted.disagreements == 0);
    CHECK(distorted.none > 100);
    CHECK(undistorted.none > 100);
  });
}

TEST_CASE("the way for models without kernels gives what the points give") {
  const RadialTangential model({-0.2, 0.05, -0.01, 0.002, -0.001});
  Lens lens = make_lens(model.parameters());
  std::vector<double> x(200), y(200);
  Comparison distorted, undistorted;
  detail::distort_row_plain(model, lens, -3.5, 7.25, x, y);
  for (std::size_t i = 0; i < x.size(); ++i) {
    compare(distort_px(lens, {-3.5 + static_cast<double>(i), 7.25}), x[i], y[i], distorted);
  }
  detail::undistort_row_plain(model, lens, -3.5, 7.25, x, y);
  for (std::size_t i = 0; i < x.size(); ++i) {
    compare(undistort_px(lens, {-3.5 + static_cast<double>(i), 7.25}), x[i], y[i], undistorted);
  }
  CHECK(distorted.disagreements + undistorted.disagreements == 0);
  CHECK(distorted.worst_px == 0.0);
  CHECK(undistorted.worst_px == 0.0);
}
