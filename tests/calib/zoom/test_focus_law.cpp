// The laws of distortion and focus distance, on numbers: W. P. Magill, Journal of Research of the
// National Bureau of Standards 54, 1955; D. C. Brown, Close-range camera calibration,
// Photogrammetric Engineering 37(8), 1971. The formulas are from memory; the second source for
// their family is C. S. Fraser and M. R. Shortis, Photogrammetric Engineering and Remote Sensing
// 58(6), 1992 (also from memory). Numbers by hand.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/zoom/detail/station_grid.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::tests {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kFocalMm = 50.0;

profile::Station station_at(double focus_m, std::array<double, 5> coefficients) {
  profile::Station station;
  station.nominal_focal_mm = kFocalMm;
  station.focus_m = focus_m;
  station.lens.plate_size = {1920, 1080};
  station.lens.focal_px = {3000.0, 3000.0};
  station.lens.principal_point_px = {960.0, 540.0};
  station.lens.model = lens::RadialTangential(coefficients);
  return station;
}

lens::Lens lens_at(const std::vector<profile::Station>& stations, double focus_m) {
  const auto zoom = zoom::ZoomLens::create(stations);
  REQUIRE_MESSAGE(zoom, zoom.error().message);
  const auto at = zoom->at({.focus_m = focus_m});
  REQUIRE_MESSAGE(at, at.error().message);
  return at->lens;
}

Point2d correction_px(const lens::Lens& lens, const Point2d& place) {
  return *lens::undistort_px(lens, place) - place;
}

}  // namespace

TEST_CASE("two focus distances tell the distortion at a third as Magill has it") {
  // a = (s2 - s)/(s2 - s1) (s1 - f)/(s - f) = 1800/2400 * 550/1150
  constexpr double kA = 0.358695652;
  const std::vector<profile::Station> stations{station_at(0.6, {-0.20, 0.05, 0.0, 0.0, 0.0}),
                                               station_at(3.0, {-0.12, -0.10, 0.0, 0.0, 0.0})};
  const lens::Lens between = lens_at(stations, 1.2);
  double worst = 0.0;
  double most = 0.0;
  for (const Point2d& place : {Point2d(0.0, 0.0), Point2d(1920.0, 1080.0), Point2d(300.0, 540.0)}) {
    const Point2d near = correction_px(stations[0].lens, place);
    const Point2d magill = kA * near + (1.0 - kA) * correction_px(stations[1].lens, place);
    worst = std::max(worst, (correction_px(between, place) - magill).norm());
    most = std::max(most, (near - magill).norm());
  }
  fmt::print(
      "Magill's law: met to {:.1e} px, where the stations differ from it by up to {:.2f} px\n",
      worst,
      most);
  CHECK(most > 1.0);
  CHECK(worst < 2e-3);
}

TEST_CASE("what the nearness is: Brown's scale between two object distances") {
  // g = (s' - f)/(s - f) s/s' = 950/1950 * 2000/1000, s = 2 m, s' = 1 m, f = 50 mm; it is the ratio
  // of the distances between lens and image, f (1 + nearness).
  const double at_2m = *zoom::detail::nearness_of(kFocalMm, 2.0);
  const double at_1m = *zoom::detail::nearness_of(kFocalMm, 1.0);
  CHECK(at_2m == doctest::Approx(50.0 / 1950.0));
  CHECK((1.0 + at_2m) / (1.0 + at_1m) == doctest::Approx(0.974358974).epsilon(1e-9));
  CHECK(zoom::detail::nearness_of(kFocalMm, kInfinity) == 0.0);
}

TEST_CASE("decentring at a third distance is Brown's, but for the curve of 1 - f/s") {
  // P(s) = (1 - f/s) P(infinity): 0.95 at 1 m, 0.975 at 2 m; the straight line over the nearness
  // has 0.975641 there.
  constexpr double kP = 2e-3;
  const auto with = [](double focus_m, double p) {
    return station_at(focus_m, {-0.1, 0.0, 0.0, p, 0.5 * p});
  };
  const lens::Lens between = lens_at({with(kInfinity, kP), with(1.0, 0.95 * kP)}, 2.0);
  const lens::Lens brown = with(2.0, 0.975 * kP).lens;
  const lens::Lens none = with(2.0, 0.0).lens;
  const Point2d corner(1920.0, 1080.0);
  const double decentring = (correction_px(brown, corner) - correction_px(none, corner)).norm();
  const double apart = (correction_px(between, corner) - correction_px(brown, corner)).norm();
  fmt::print("Brown's decentring: {:.3f} px in the corner, met to {:.5f} px\n", decentring, apart);
  CHECK(decentring > 2.0);
  CHECK(apart / decentring == doctest::Approx(0.000641 / 0.975).epsilon(0.1));
}

}  // namespace trueplate::tests
