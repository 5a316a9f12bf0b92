// Red and blue between stations. Without a source outside: the law is stated here, the error
// measured by code of its own.

#include "calib/zoom/colour_zoom.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

#include "calib/zoom/pool.h"
#include "tests/calib/zoom/simulated_zoom.h"

namespace trueplate::tests {
namespace {

/// Green's lens in another colour: enlarged by two to five parts in ten thousand, a fringe of up to
/// half a pixel in the corners, and with a little other distortion.
lens::Lens true_colour(double focal_mm, double focus_m, double sign) {
  lens::Lens lens = true_zoom(focal_mm, focus_m);
  const double share = std::log(focal_mm / 24.0) / std::log(70.0 / 24.0);
  const double near = std::isinf(focus_m) ? 0.0 : focal_mm / (1000.0 * focus_m - focal_mm);
  lens.focal_px *= 1.0 + sign * 1e-4 * (2.0 + 3.0 * share + 8.0 * near);
  const auto known = lens::parameters(lens.model);
  lens.model = lens::RadialTangential(
      {known[0] * (1.0 + sign * 0.02 * (1.0 - share)), known[1], known[2], known[3], known[4]});
  return lens;
}

profile::ColourLens colour_lens(const lens::Lens& lens) {
  profile::ColourLens colour;
  colour.lens = lens;
  const auto names = profile::station_parameter_names(lens);
  const auto count = static_cast<Eigen::Index>(names.size());
  colour.uncertainty = {names, 1e-8 * Eigen::MatrixXd::Identity(count, count)};
  colour.shift.rms_sigma_px = 0.01;
  colour.shift.p_value = 1e-6;
  colour.shift.significant = true;
  return colour;
}

std::vector<profile::Station> stations_by_colour() {
  std::vector<profile::Station> stations;
  for (const StationAt& at : five_by_three()) {
    profile::Station& station = stations.emplace_back();
    station.nominal_focal_mm = at.focal_mm;
    station.focus_m = at.focus_m;
    station.lens = true_zoom(at.focal_mm, at.focus_m);
    station.channels = profile::Channels{colour_lens(true_colour(at.focal_mm, at.focus_m, 1.0)),
                                         colour_lens(true_colour(at.focal_mm, at.focus_m, -0.7))};
  }
  return stations;
}

/// Where a colour images the ray that green's true lens has at a place, less where green does.
Point2d fringe_px(const lens::Lens& green, const lens::Lens& colour, const Point2d& ray) {
  const auto image = [&](const lens::Lens& lens) -> Point2d {
    return lens::px_from_ideal(lens, *lens::distort(lens.model, ray));
  };
  return image(colour) - image(green);
}

}  // namespace

TEST_CASE("between stations red and blue lie beside green as they do in the lens") {
  const std::vector<profile::Station> stations = stations_by_colour();
  const auto zoom = zoom::ColourZoom::create(stations, zoom::Colours::kWhereAll);
  REQUIRE_MESSAGE(zoom, zoom.error().message);
  REQUIRE(zoom->has_colours());
  std::mt19937 random(11);
  std::uniform_real_distribution<double> unit(0.0, 1.0);
  double squares = 0.0;
  double fringes = 0.0;
  double largest = 0.0;
  int count = 0;
  for (int state = 0; state < 40; ++state) {
    const double focal = 24.0 * std::pow(70.0 / 24.0, unit(random));
    const double focus = 0.6 / unit(random);
    const auto at = zoom->at({.focal_mm = focal, .focus_m = focus});
    REQUIRE_MESSAGE(at, at.error().message);
    const lens::Lens green = true_zoom(focal, focus);
    const lens::Lens red = true_colour(focal, focus, 1.0);
    for (int j = 0; j <= 6; ++j) {
      for (int i = 0; i <= 10; ++i) {
        const Point2d place(204.8 * i, 192.0 * j);
        const Point2d ray = lens::ideal_from_px(green, *lens::undistort_px(green, place));
        const Point2d truth = fringe_px(green, red, ray);
        const double error = (fringe_px(at->green.lens, at->red->lens, ray) - truth).norm();
        squares += error * error;
        fringes += truth.squaredNorm();
        largest = std::max(largest, error);
        ++count;
      }
    }
  }
  fmt::print(
      "fringe of red beside green: {:.4f} px rms, told to {:.4f} px rms, {:.4f} px at most\n",
      std::sqrt(fringes / count),
      std::sqrt(squares / count),
      largest);
  CHECK(std::sqrt(fringes / count) > 0.2);
  CHECK(std::sqrt(squares / count) < 0.02);
}

TEST_CASE("what a state's profile keeps of red and blue") {
  std::vector<profile::Station> stations = stations_by_colour();
  const auto zoom = zoom::ColourZoom::create(stations, zoom::Colours::kWhereAll);
  REQUIRE(zoom);
  const auto at = zoom->at({.focal_mm = 37.0, .focus_m = 1.0});
  REQUIRE(at);
  double sum = 0.0;
  for (const double weight : at->green.station_weights) sum += weight;
  CHECK(sum == doctest::Approx(1.0));
  const auto channels = zoom::channels_at(stations, *at);
  REQUIRE(channels);
  CHECK(channels->red.shift.rms_px > 0.1);
  CHECK(channels->red.shift.significant);
  CHECK(channels->red.shift.rms_sigma_px > 0.003);
  CHECK(channels->red.shift.rms_sigma_px < 0.012);
  CHECK(channels->red.num_points == 0);
  CHECK(channels->red.uncertainty.covariance(0, 0) > 0.0);

  // All or none.
  stations[3].channels.reset();
  const auto without = zoom::ColourZoom::create(stations, zoom::Colours::kWhereAll);
  REQUIRE(without);
  CHECK(!without->has_colours());
  const auto green = without->at({.focal_mm = 37.0, .focus_m = 1.0});
  REQUIRE(green);
  CHECK(!green->red);
  CHECK(!zoom::channels_at(stations, *green));
}

TEST_CASE("pooling what stations share moves red and blue with green") {
  std::vector<profile::Station> stations =
      calibrated_stations({{24.0, 1.5}, {32.0, 1.5}, {42.0, 1.5}}, 0.15, 5);
  for (profile::Station& station : stations) {
    const lens::Lens truth = true_zoom(*station.nominal_focal_mm, *station.focus_m);
    station.lens.principal_point_px += Point2d(1024.0, 576.0) - truth.principal_point_px;
    lens::Lens red = station.lens;
    red.focal_px *= 1.0003;
    station.channels = profile::Channels{colour_lens(red), colour_lens(red)};
  }
  const std::vector<profile::Station> before = stations;
  const std::vector<zoom::PoolTest> tests = zoom::pool(stations);
  REQUIRE(tests.front().pooled);
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const lens::Lens& green = stations[i].lens;
    const lens::Lens& red = stations[i].channels->red.lens;
    CHECK((green.principal_point_px - before[i].lens.principal_point_px).norm() > 1e-3);
    CHECK((red.principal_point_px - green.principal_point_px).norm() < 1e-9);
    CHECK(red.focal_px.x() - green.focal_px.x() ==
          doctest::Approx(3e-4 * before[i].lens.focal_px.x()));
  }
}

}  // namespace trueplate::tests
