#include "calib/zoom/zoom_lens.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <string>

#include "tests/calib/zoom/simulated_zoom.h"
#include "tests/support/warnings.h"

namespace trueplate::tests {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

/// A station that knows the truth.
profile::Station true_station(const StationAt& at) {
  profile::Station station;
  station.nominal_focal_mm = at.focal_mm;
  station.focus_m = at.focus_m;
  station.lens = true_zoom(at.focal_mm, at.focus_m);
  station.quality = profile::Quality{.held_out_rms_px = std::nullopt,
                                     .noise_sigma_px = std::nullopt,
                                     .map_sigma_rms_px = 0.02,
                                     .map_sigma_max_px = 0.06};
  return station;
}

std::vector<profile::Station> true_stations(const std::vector<StationAt>& places) {
  std::vector<profile::Station> stations;
  for (const StationAt& at : places) stations.push_back(true_station(at));
  return stations;
}

zoom::ZoomLens made(const std::vector<profile::Station>& stations) {
  Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations);
  REQUIRE_MESSAGE(lens, lens.error().message);
  return *std::move(lens);
}

std::string refusal(const std::vector<profile::Station>& stations) {
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations);
  REQUIRE(!lens);
  return lens.error().message;
}

bool contains(const std::string& text, std::string_view part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("at a station the lens is that of the station, and known as well") {
  const std::vector<StationAt> places = five_by_three();
  const zoom::ZoomLens lens = made(true_stations(places));
  for (const StationAt& at : places) {
    const auto found = lens.at({.focal_mm = at.focal_mm, .focus_m = at.focus_m});
    REQUIRE(found);
    const FieldError error = solved_plate_error(found->lens, true_zoom(at.focal_mm, at.focus_m));
    CHECK(error.max_px < 1e-4);
    CHECK(found->sigma.rms_px == doctest::Approx(0.02));
    CHECK(found->sigma.max_px == doctest::Approx(0.06));
    CHECK(found->warnings.empty());
  }
}

TEST_CASE("the law of Magill and Brown: two focus distances tell all others") {
  // delta(s) = a delta(s1) + (1 - a) delta(s2), a = (s2 - s) / (s2 - s1) (s1 - f) / (s - f):
  // Magill 1955, Brown 1971; the distortion so small that k1 and its inverse differ in sign alone.
  const double f = 50.0;
  const double s1 = 800.0;
  const double s2 = 5000.0;
  const auto station = [&](double s, double k1) {
    profile::Station result = true_station({50.0, s / 1000.0});
    result.lens.focal_px = {4000.0, 4000.0};
    result.lens.principal_point_px = {1024.0, 576.0};
    result.lens.model = lens::RadialTangential({k1, 0.0, 0.0, 0.0, 0.0});
    return result;
  };
  const zoom::ZoomLens lens = made({station(s1, -0.004), station(s2, -0.001)});
  for (const double s : {900.0, 1200.0, 2000.0, 4000.0}) {
    const double a = (s2 - s) / (s2 - s1) * (s1 - f) / (s - f);
    const auto found = lens.at({.focus_m = s / 1000.0});
    REQUIRE(found);
    const double k1 = lens::parameters(found->lens.model).front();
    CHECK(k1 == doctest::Approx(-0.004 * a - 0.001 * (1.0 - a)).epsilon(2e-3));
  }
}

TEST_CASE("stations of different models go together") {
  std::vector<profile::Station> stations = true_stations(five_by_three());
  for (std::size_t i = 0; i < stations.size(); i += 2) {
    const auto known = lens::parameters(stations[i].lens.model);
    const std::array<double, 8> rational{
        known[0], known[1], known[2], 0.0, 0.0, 0.0, known[3], known[4]};
    stations[i].lens.model = *lens::make_model("rational", rational);
  }
  const zoom::ZoomLens lens = made(stations);
  const auto found = lens.at({.focal_mm = 37.0, .focus_m = 1.0});
  REQUIRE(found);
  CHECK(solved_plate_error(found->lens, true_zoom(37.0, 1.0)).rms_px < 0.06);
  CHECK(found->refit_max_px < zoom::kRefitLimitPx);
}

TEST_CASE("a spline field is interpolated as well") {
  std::vector<profile::Station> stations = true_stations({{24.0, 2.0}, {32.0, 2.0}, {42.0, 2.0}});
  for (profile::Station& station : stations) {
    lens::SplineField::Parameters parameters{};
    const auto known = lens::parameters(station.lens.model);
    std::copy(known.begin(), known.end(), parameters.begin());
    const Point2d half = 0.5 * Point2d(2048, 1152).cwiseQuotient(station.lens.focal_px) * 1.1;
    parameters[lens::SplineField::kHalfWidth] = half.x();
    parameters[lens::SplineField::kHalfHeight] = half.y();
    const auto round = lens::SplineField::round_controls({known[0], known[1], known[2]}, half);
    std::copy(round.begin(), round.end(), parameters.begin() + lens::SplineField::kFirstRound);
    parameters[0] = parameters[1] = parameters[2] = 0.0;
    station.lens.model = lens::SplineField(parameters);
  }
  const zoom::ZoomLens lens = made(stations);
  CHECK(lens.model() == "spline-field");
  const auto found = lens.at({.focal_mm = 28.0, .focus_m = 2.0});
  REQUIRE_MESSAGE(found, found.error().message);
  CHECK(solved_plate_error(found->lens, true_zoom(28.0, 2.0)).rms_px < 0.5);
  CHECK(found->refit_max_px < zoom::kRefitLimitPx);
}

TEST_CASE("T-stops count where stations differ in nothing else") {
  std::vector<profile::Station> stations = true_stations(five_by_three());
  for (std::size_t i = 0; i < stations.size(); ++i) stations[i].t_stop = i % 2 == 0 ? 2.8 : 4.0;
  CHECK(made(stations).reach().t_stops.empty());

  std::vector<profile::Station> twice;
  for (const double stop : {2.0, 8.0}) {
    for (profile::Station station : true_stations(five_by_three())) {
      station.t_stop = stop;
      station.lens.principal_point_px.x() += stop;
      twice.push_back(station);
    }
  }
  const zoom::ZoomLens lens = made(twice);
  CHECK(lens.reach().t_stops == std::vector{2.0, 8.0});
  const auto without = lens.at({.focal_mm = 42.0, .focus_m = 1.5});
  REQUIRE(!without);
  CHECK(contains(without.error().message, "T2 to T8"));
  const auto between = lens.at({.focal_mm = 42.0, .focus_m = 1.5, .t_stop = 4.0});
  REQUIRE(between);
  CHECK(between->lens.principal_point_px.x() ==
        doctest::Approx(true_zoom(42.0, 1.5).principal_point_px.x() + 5.0));
  CHECK(!lens.at({.focal_mm = 42.0, .focus_m = 1.5, .t_stop = 16.0}));
}

TEST_CASE("beyond the stations is refused unless asked for, and then grows ever less certain") {
  const zoom::ZoomLens lens = made(true_stations(five_by_three()));
  const std::array<zoom::ZoomState, 3> beyond{zoom::ZoomState{.focal_mm = 20.0, .focus_m = 2.0},
                                              zoom::ZoomState{.focal_mm = 85.0, .focus_m = 2.0},
                                              zoom::ZoomState{.focal_mm = 50.0, .focus_m = 0.45}};
  for (const zoom::ZoomState& state : beyond) {
    const auto refused = lens.at(state);
    REQUIRE(!refused);
    CHECK(contains(refused.error().message, "beyond the stations"));
    const auto allowed = lens.at(state, zoom::Beyond::kExtrapolate);
    REQUIRE(allowed);
    CHECK(tests::has_warning(allowed->warnings, "extrapolated"));
    const FieldError error =
        solved_plate_error(allowed->lens, true_zoom(*state.focal_mm, *state.focus_m));
    CHECK(error.rms_px < 2.0 * allowed->sigma.rms_px);
  }
  double before = 0.0;
  for (const double focal : {24.0, 22.0, 20.0, 18.0}) {
    const auto found = lens.at({.focal_mm = focal, .focus_m = 2.0}, zoom::Beyond::kExtrapolate);
    REQUIRE(found);
    CHECK(found->sigma.rms_px > before);
    before = found->sigma.rms_px;
  }
}

TEST_CASE("uncertainty grows between stations") {
  const zoom::ZoomLens lens = made(true_stations(five_by_three()));
  const auto sigma = [&](double focal, double focus) {
    return lens.at({.focal_mm = focal, .focus_m = focus})->sigma.rms_px;
  };
  CHECK(sigma(28.0, kInfinity) > sigma(25.0, kInfinity));
  CHECK(sigma(25.0, kInfinity) > sigma(24.0, kInfinity) - 0.005);
  CHECK(sigma(70.0, 0.8) > sigma(70.0, 0.6) - 0.005);
}

TEST_CASE("a prime, and a zoom at one focus distance") {
  const zoom::ZoomLens prime = made(true_stations({{35.0, 0.6}, {35.0, 2.0}, {35.0, kInfinity}}));
  const auto pulled = prime.at({.focus_m = 1.0});
  REQUIRE(pulled);
  CHECK(solved_plate_error(pulled->lens, true_zoom(35.0, 1.0)).rms_px < 0.05);
  CHECK(!prime.at({}));
  CHECK(!prime.at({.focal_mm = 50.0, .focus_m = 1.0}));
  CHECK(prime.left_out()[1].station.has_value());
  CHECK(!prime.left_out()[1].focal_length.has_value());

  std::vector<profile::Station> stations = true_stations({{24.0, 2.0}, {35.0, 2.0}, {50.0, 2.0}});
  const zoom::ZoomLens one_focus = made(stations);
  REQUIRE(one_focus.at({.focal_mm = 30.0}));
  CHECK(!one_focus.at({.focal_mm = 30.0, .focus_m = 5.0}));
  const auto asked = one_focus.at({.focal_mm = 30.0, .focus_m = 5.0}, zoom::Beyond::kExtrapolate);
  REQUIRE(asked);
  CHECK(asked->sigma.rms_px > one_focus.at({.focal_mm = 30.0})->sigma.rms_px);
  for (profile::Station& station : stations) station.focus_m.reset();
  const auto ignored = made(stations).at({.focal_mm = 30.0, .focus_m = 5.0});
  REQUIRE(ignored);
  CHECK(tests::has_warning(ignored->warnings, "focus-ignored"));
  const auto alone = made({stations.front()}).at({});
  REQUIRE(alone);
  CHECK(solved_plate_error(alone->lens, stations.front().lens).max_px < 1e-4);
}

TEST_CASE("the entrance pupil is interpolated where all stations know it") {
  std::vector<profile::Station> stations = true_stations(five_by_three());
  for (profile::Station& station : stations) {
    station.entrance_pupil_mm = 100.0 + *station.nominal_focal_mm;
  }
  const auto found = made(stations).at({.focal_mm = 48.0, .focus_m = 1.0});
  REQUIRE(found);
  REQUIRE(found->entrance_pupil_mm);
  CHECK(*found->entrance_pupil_mm == doctest::Approx(148.0).epsilon(0.003));
  stations[4].entrance_pupil_mm.reset();
  CHECK(!made(stations).at({.focal_mm = 48.0, .focus_m = 1.0})->entrance_pupil_mm);
}

TEST_CASE("stations that do not go together are refused, by number") {
  CHECK(contains(refusal({}), "no stations"));
  const std::vector<profile::Station> good = true_stations({{24.0, 1.0}, {35.0, 1.0}});
  std::vector<profile::Station> bad = good;
  bad[1].nominal_focal_mm = 24.0;
  CHECK(contains(refusal(bad), "station 2: stands where station 1 does"));
  bad = good;
  bad[1].focus_m.reset();
  CHECK(contains(refusal(bad), "station 2: only some"));
  bad = good;
  bad[1].focus_m = 0.03;
  CHECK(contains(refusal(bad), "station 2: is focused at 0.03 m"));
  bad = good;
  bad[1].lens.plate_size = {1920, 1080};
  CHECK(contains(refusal(bad), "station 2: has another plate size"));
  bad = good;
  bad[0].nominal_focal_mm.reset();
  bad[0].lens.film_back.reset();
  CHECK(contains(refusal(bad), "station 1: has neither"));
  bad = good;
  bad[1].nominal_focal_mm = std::numeric_limits<double>::quiet_NaN();
  CHECK(contains(refusal(bad), "station 2"));
  bad = good;
  bad[1].lens.focal_px.x() = -1.0;
  CHECK(contains(refusal(bad), "station 2"));
  CHECK(!zoom::ZoomLens::create(good, zoom::Colour::kRed));
  CHECK(contains(refusal(std::vector<profile::Station>(zoom::kMostStations + 1, good[0])),
                 "501 stations"));
}

TEST_CASE("states that are no states are refused") {
  const zoom::ZoomLens lens = made(true_stations(five_by_three()));
  const double nan = std::numeric_limits<double>::quiet_NaN();
  for (const double focal : {nan, 0.0, -5.0, kInfinity, 1e300}) {
    CHECK(!lens.at({.focal_mm = focal, .focus_m = 2.0}));
    CHECK(!lens.at({.focal_mm = 35.0, .focus_m = focal == kInfinity ? nan : -std::abs(focal)}));
  }
  CHECK(!lens.at({.focus_m = 2.0}));
  CHECK(!lens.at({.focal_mm = 35.0}));
  CHECK(!lens.at({.focal_mm = 35.0, .focus_m = 0.03}, zoom::Beyond::kExtrapolate));
}

}  // namespace trueplate::tests
