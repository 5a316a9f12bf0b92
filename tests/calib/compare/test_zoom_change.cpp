// Whether a lens with many stations changed. The judge is simulation, as in test_lens_change.cpp:
// shoots of a zoom that did and did not change. A few here; TRUEPLATE_CHANGE_PAIRS=200 makes the
// rates of docs/compare.md.

#include "calib/compare/zoom_change.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <limits>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "calib/zoom/pool.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/calib/zoom/simulated_zoom.h"

using namespace trueplate;
using compare::ChangeVerdict;
using compare::zoom_change;
using compare::ZoomChange;

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
const std::vector<tests::StationAt> kPlaces{
    {24.0, 0.6}, {24.0, kInfinity}, {42.0, 0.6}, {42.0, kInfinity}};

int num_pairs(int otherwise) {
  const char* text = std::getenv("TRUEPLATE_CHANGE_PAIRS");
  return text != nullptr ? std::max(1, std::atoi(text)) : otherwise;
}

/// With third-order distortion changed by so many pixels in the corners, before turn and focal
/// length.
void change_distortion(lens::Lens& lens, double corner_px) {
  const Point2d corner = lens::ideal_from_px(lens, Point2d(0.0, 0.0));
  const auto known = lens::parameters(lens.model);
  std::vector<double> values(known.begin(), known.end());
  values[0] += corner_px / lens.focal_px.x() / std::pow(corner.norm(), 3);
  lens.model = *lens::make_model(lens::model_name(lens.model), values);
}

ZoomChange changed(const std::vector<profile::Station>& a, const std::vector<profile::Station>& b) {
  const Result<ZoomChange> change = zoom_change(a, b);
  REQUIRE_MESSAGE(change.has_value(), (change ? "" : change.error().message));
  return *change;
}

/// What such a change is at the first station, root mean square after turn and focal length.
double change_rms_px(double corner_px) {
  profile::Station before;
  before.lens = tests::true_zoom(kPlaces[0].focal_mm, kPlaces[0].focus_m);
  profile::Station after = before;
  change_distortion(after.lens, corner_px);
  const Result<compare::LensChange> change = compare::lens_change(before, after);
  REQUIRE(change);
  return change->after.rms_px;
}

struct Rates {
  double changed = 0.0;
  double too_uncertain = 0.0;
};
/// Of pairs of shoots, pooled as the program does; the second lens has another distortion.
Rates rates_of(double corner_px, int pairs) {
  Rates rates;
  for (int n = 0; n < pairs; ++n) {
    const auto seed = static_cast<unsigned>(40000 + 100 * n);
    std::vector<profile::Station> before = tests::calibrated_stations(kPlaces, 0.15, seed);
    std::vector<profile::Station> after = tests::calibrated_stations(kPlaces, 0.15, seed + 50000U);
    // What the shoot would have found of a lens that changed: the fit's errors stay the same.
    for (profile::Station& station : after) change_distortion(station.lens, corner_px);
    zoom::pool(before);
    zoom::pool(after);
    const ZoomChange change = changed(before, after);
    rates.changed += change.verdict == ChangeVerdict::kChanged ? 1.0 / pairs : 0.0;
    rates.too_uncertain += change.verdict == ChangeVerdict::kTooUncertain ? 1.0 / pairs : 0.0;
  }
  MESSAGE(
      fmt::format("distortion changed by {:g} px in the corners, {:.3f} px rms after turn and "
                  "focal length: {} pairs, changed {:.1f} %, too uncertain {:.1f} %",
                  corner_px,
                  change_rms_px(corner_px),
                  pairs,
                  100.0 * rates.changed,
                  100.0 * rates.too_uncertain));
  return rates;
}

}  // namespace

TEST_CASE("false alarms and power over four stations") {
  const int pairs = num_pairs(6);
  CHECK(rates_of(0.0, pairs).changed <= 0.01 + 3.0 * std::sqrt(0.01 / pairs) + 1e-9);
  CHECK(rates_of(6.0, pairs).changed > 0.9);
  if (pairs < 100) return;
  for (const double corner_px : {0.3, 1.0, 2.0, 3.0}) rates_of(corner_px, pairs);
}

TEST_CASE("stations that have a counterpart decide, others are interpolated and shown") {
  const std::vector<profile::Station> all =
      tests::calibrated_stations(tests::five_by_three(), 0.05, 3);
  std::vector<profile::Station> some = all;
  some.erase(some.begin() + 4);  // 32 mm at 1.5 m
  const ZoomChange same = changed(all, some);
  CHECK(same.verdict != ChangeVerdict::kChanged);
  CHECK(same.stations.size() == 14);
  CHECK(same.num_only_first == 1);
  CHECK(same.num_only_second == 0);
  // That station, and the middles of 4 steps in focal length by 2 in focus.
  REQUIRE(same.between.size() == 9);
  CHECK(same.between.front().state.focal_mm == 32.0);
  CHECK(same.between.front().sigma_px > 0.0);
  for (const compare::BetweenChange& one : same.between) CHECK(one.apart.rms_px < 0.1);

  std::vector<profile::Station> knocked = some;
  change_distortion(knocked[7].lens, 5.0);
  const ZoomChange change = changed(all, knocked);
  CHECK(change.verdict == ChangeVerdict::kChanged);
  CHECK(change.num_changed == 1);
  const std::string words = compare::verdict_text(change);
  CHECK(words.starts_with("changed: at 1 of 14 stations; least explained"));
  CHECK(words.find("42 mm") != std::string::npos);
  CHECK(words.find('\n') == std::string::npos);

  // One station against a zoom; and no counterpart at all.
  const ZoomChange one = changed({all[7]}, all);
  CHECK(one.stations.size() == 1);
  CHECK(one.num_only_second == 14);
  const ZoomChange none = changed({all[7]}, {all[6], all[8]});
  CHECK(none.stations.empty());
  CHECK(none.verdict == ChangeVerdict::kTooUncertain);
  REQUIRE(none.between.size() == 1);
  CHECK(compare::verdict_text(none).find("no station at one state; between stations at most") !=
        std::string::npos);
}

TEST_CASE("calibrations that cannot be compared are refused") {
  const std::vector<profile::Station> zoom =
      tests::calibrated_stations({{24.0, 0.6}, {24.0, 1.5}}, 0.1, 9);
  CHECK(!zoom_change(zoom, tests::calibrated_stations({{70.0, 0.6}, {70.0, 1.5}}, 0.1, 9)));
  CHECK(!zoom_change(zoom, {}));
  std::vector<profile::Station> twice = zoom;
  twice.push_back(zoom.front());
  const auto doubled = zoom_change(zoom, twice);
  REQUIRE(!doubled);
  CHECK(doubled.error().message.find("the second calibration: station 3") != std::string::npos);
  std::vector<profile::Station> silent = zoom;
  for (profile::Station& station : silent) station.uncertainty.reset();
  const auto unsaid = zoom_change(zoom, silent);
  REQUIRE(unsaid);
  CHECK(unsaid->verdict == ChangeVerdict::kTooUncertain);
}
