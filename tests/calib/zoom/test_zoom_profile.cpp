#include "calib/zoom/zoom_profile.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <string>

#include "tests/calib/zoom/simulated_zoom.h"

namespace trueplate::tests {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

zoom::NamedProfile named(const std::string& name, const profile::Station& station) {
  profile::Profile profile;
  profile.labels.lens = "Example zoom 24-70";
  profile.labels.serial = "Z-1";
  profile.stations = {station};
  profile.provenance = {.created = "2031-05-04T10:20:30Z",
                        .program = "trueplate",
                        .program_version = "0",
                        .method = "simulated",
                        .footage = {}};
  return {name, profile};
}

const zoom::GatherOptions kOptions{.created = "2031-05-04T10:20:30Z", .program_version = "0"};

std::vector<zoom::NamedProfile> shoot() {
  std::vector<zoom::NamedProfile> profiles;
  for (const StationAt& at : five_by_three()) {
    profiles.push_back(named(fmt::format("{:g}mm_{:g}m.json", at.focal_mm, at.focus_m),
                             calibrated_station(at, 0.15, 7)));
  }
  return profiles;
}

}  // namespace

TEST_CASE("profiles are gathered, sorted, left out one by one, and written and read") {
  std::vector<zoom::NamedProfile> profiles = shoot();
  std::swap(profiles.front(), profiles.back());
  const Result<zoom::Gathered> gathered = zoom::gather(profiles, kOptions);
  REQUIRE_MESSAGE(gathered, gathered.error().message);
  const std::vector<profile::Station>& stations = gathered->profile.stations;
  REQUIRE(stations.size() == 15);
  CHECK(stations.front().nominal_focal_mm == 24.0);
  CHECK(stations.front().focus_m == 0.6);
  CHECK(stations.back().focus_m == kInfinity);
  CHECK(stations[4].without_station->rms_px < 0.2);
  CHECK(stations[4].without_focal_length->rms_px < 0.5);
  CHECK(!stations[0].without_focal_length);
  const Result<std::string> text = profile::profile_text(gathered->profile);
  REQUIRE_MESSAGE(text, text.error().message);
  REQUIRE(profile::parse_profile(*text, "zoom.json"));

  const auto lens = zoom::ColourZoom::create(stations, zoom::Colours::kWhereAll);
  REQUIRE(lens);
  const auto between = zoom::profile_at(
      gathered->profile, *lens, {.focal_mm = 35.0, .focus_m = 2.0}, zoom::Beyond::kRefuse);
  REQUIRE(between);
  CHECK(between->profile.stations.size() == 1);
  CHECK(between->profile.stations[0].warnings.back().code == "interpolated");
  CHECK(solved_plate_error(between->profile.stations[0].lens, true_zoom(35.0, 2.0)).rms_px < 0.1);
  REQUIRE(profile::profile_text(between->profile));
  const auto exact = zoom::profile_at(
      gathered->profile, *lens, {.focal_mm = 42.0, .focus_m = 1.5}, zoom::Beyond::kRefuse);
  REQUIRE(exact);
  CHECK(exact->profile.stations[0].quality.has_value());

  const std::vector<zoom::Breathing> curves = zoom::breathing(gathered->profile, lens->green());
  REQUIRE(curves.size() == 5);
  for (const zoom::Breathing& curve : curves) {
    REQUIRE(curve.points.size() == 3);
    const double infinity = true_zoom(curve.focal_mm, kInfinity).focal_px.x();
    for (const zoom::Breathing::Point& point : curve.points) {
      const double truth = true_zoom(curve.focal_mm, point.focus_m).focal_px.x() / infinity - 1.0;
      CHECK(point.scale_percent == doctest::Approx(100.0 * truth).epsilon(0.1));
      CHECK(point.is_station);
    }
    CHECK(curve.points.back().scale_percent == 0.0);
  }
}

TEST_CASE("a common principal point is pooled and better known; one that wanders is not") {
  std::vector<profile::Station> common;
  std::vector<profile::Station> wandering = calibrated_stations(five_by_three(), 0.15, 3);
  double before = 0.0;
  for (const profile::Station& station : wandering) {
    // The same errors about a common point.
    const lens::Lens truth = true_zoom(*station.nominal_focal_mm, *station.focus_m);
    common.push_back(station);
    common.back().lens.principal_point_px += Point2d(1024.0, 576.0) - truth.principal_point_px;
    before += (common.back().lens.principal_point_px - Point2d(1024.0, 576.0)).squaredNorm();
  }
  const std::vector<profile::Station> unpooled = common;
  const auto map_error_px = [](const std::vector<profile::Station>& stations) {
    double squares = 0.0;
    for (const profile::Station& station : stations) {
      lens::Lens truth = true_zoom(*station.nominal_focal_mm, *station.focus_m);
      truth.principal_point_px = {1024.0, 576.0};
      squares += std::pow(solved_plate_error(station.lens, truth).rms_px, 2);
    }
    return std::sqrt(squares / static_cast<double>(stations.size()));
  };
  const std::vector<zoom::PoolTest> tests = zoom::pool(common);
  REQUIRE(tests.size() == 1);
  CHECK(tests[0].pooled);
  CHECK(tests[0].degrees == 28);
  double after = 0.0;
  for (std::size_t i = 0; i < common.size(); ++i) {
    after += (common[i].lens.principal_point_px - Point2d(1024.0, 576.0)).squaredNorm();
    CHECK(*profile::sigma(*common[i].uncertainty, "principal_x_px") <
          *profile::sigma(*unpooled[i].uncertainty, "principal_x_px"));
  }
  fmt::print("principal point of 15 stations: {:.3f} px off (rms), {:.3f} px when pooled\n",
             std::sqrt(before / 15.0),
             std::sqrt(after / 15.0));
  CHECK(after < 0.25 * before);
  // All stations have one value now, so this is one draw of two numbers: chi-square of 2 degrees.
  const profile::Uncertainty& pooled = *common[0].uncertainty;
  const double x =
      (common[0].lens.principal_point_px.x() - 1024.0) / *profile::sigma(pooled, "principal_x_px");
  const double y =
      (common[0].lens.principal_point_px.y() - 576.0) / *profile::sigma(pooled, "principal_y_px");
  const double map_before = map_error_px(unpooled);
  const double map_after = map_error_px(common);
  fmt::print(
      "pooled principal point off by {:.2f}, {:.2f} of its sigmas; maps off by {:.4f} px "
      "(rms), {:.4f} px when pooled\n",
      x,
      y,
      map_before,
      map_after);
  CHECK(x * x + y * y < 9.21);  // 1 % (tables)
  CHECK(map_after < 1.02 * map_before);

  const std::vector<zoom::PoolTest> of_wandering = zoom::pool(wandering);
  REQUIRE(of_wandering.size() == 6);
  CHECK(!of_wandering[0].pooled);
  CHECK(of_wandering[0].p_value < 0.01);
  CHECK(of_wandering[1].over == "24 mm");
}

TEST_CASE("profiles of different lenses are not gathered, and the one that differs is named") {
  std::vector<zoom::NamedProfile> profiles = shoot();
  profiles[3].profile.labels.serial = "Z-2";
  const Result<zoom::Gathered> serial = zoom::gather(profiles, kOptions);
  REQUIRE(!serial);
  CHECK(serial.error().message.starts_with(profiles[3].name + ": its serial number is 'Z-2'"));
  CHECK(!zoom::gather({}, kOptions));
  profiles = shoot();
  profiles.push_back(profiles.front());
  CHECK(!zoom::gather(profiles, kOptions));
}

}  // namespace trueplate::tests
