// Stations that do not belong: labels exchanged, one number wrong. The zoom is simulated and known;
// which stations must be named follows from what was exchanged.

#include "calib/zoom/station_doubts.h"

#include <doctest/doctest.h>

#include <cmath>

#include "calib/profile/focal_label.h"
#include "calib/zoom/zoom_profile.h"
#include "tests/calib/zoom/simulated_zoom.h"
#include "tests/support/warnings.h"

namespace trueplate::tests {
namespace {

/// Stations of the true zoom, each known to 0.02 px.
std::vector<profile::Station> stations() {
  std::vector<profile::Station> result;
  for (const StationAt& at : five_by_three()) {
    profile::Station& station = result.emplace_back();
    station.nominal_focal_mm = at.focal_mm;
    station.focus_m = at.focus_m;
    station.lens = true_zoom(at.focal_mm, at.focus_m);
    station.quality.emplace().map_sigma_rms_px = 0.02;
  }
  return result;
}

zoom::Gathered gathered(std::vector<profile::Station> all) {
  profile::Profile profile;
  profile.stations = std::move(all);
  const Result<zoom::Gathered> result = zoom::gather({{"zoom.json", profile}}, {});
  REQUIRE_MESSAGE(result, result.error().message);
  return *result;
}

}  // namespace

TEST_CASE("stations that belong are not doubted") {
  const zoom::Gathered whole = gathered(stations());
  // A corner is told from one side only, by more than is allowed of others.
  CHECK(whole.profile.stations[0].without_station->rms_px > zoom::kLeftOutFarPx);
  CHECK(whole.warnings.empty());
  for (const profile::Station& station : whole.profile.stations) CHECK(station.warnings.empty());
}

TEST_CASE("a label is far from more than 10 % and three sigmas on; without film back unknown") {
  profile::Station station = stations()[0];
  station.lens.film_back->height_mm = station.lens.film_back->width_mm *
                                      station.lens.plate_size.height /
                                      station.lens.plate_size.width;
  station.lens.focal_px.y() = station.lens.focal_px.x();
  const double measured_mm = lens::focal_mm(station.lens)->y();
  station.nominal_focal_mm = measured_mm / 1.09;
  CHECK(!profile::focal_label_far(station));
  station.nominal_focal_mm = measured_mm / 1.11;
  const std::optional<Warning> far = profile::focal_label_far(station);
  REQUIRE(far);
  CHECK(far->value == doctest::Approx(11.0));
  SUBCASE("shorter than the label") {
    station.nominal_focal_mm = 70.0;
    CHECK(profile::focal_label_far(station)->value ==
          doctest::Approx(100.0 * (measured_mm / 70.0 - 1.0)));
  }
  SUBCASE("a sigma of 5 % explains it, one of 1 % does not") {
    for (const double share : {0.05, 0.01}) {
      profile::Uncertainty known{profile::station_parameter_names(station.lens), {}};
      const auto n = static_cast<Eigen::Index>(known.parameters.size());
      known.covariance = Eigen::MatrixXd::Zero(n, n);
      for (const int axis : {0, 1}) {
        known.covariance(axis, axis) = std::pow(share * station.lens.focal_px(axis), 2);
      }
      station.uncertainty = known;
      CHECK(profile::focal_label_far(station).has_value() == (share < 0.03));
    }
  }
  SUBCASE("an anamorphic lens: the number is that of the unsqueezed axis") {
    station.lens.squeeze = 2.0;
    station.lens.focal_px.x() /= 2.0;
    station.nominal_focal_mm = measured_mm;
    CHECK(!profile::focal_label_far(station));
  }
  SUBCASE("a film back of another aspect is not the label's fault") {
    station.nominal_focal_mm = measured_mm;
    station.lens.film_back->height_mm *= 1.3;
    CHECK(!profile::focal_label_far(station));
  }
  SUBCASE("no film back") {
    station.lens.film_back.reset();
    CHECK(!profile::focal_label_far(station));
  }
}

TEST_CASE("exchanged labels are named, kept with the stations, said again between them") {
  std::vector<profile::Station> all = stations();
  std::swap(all[3].lens, all[9].lens);  // 32 and 55 mm at 0.6 m
  const zoom::Gathered swapped = gathered(all);
  for (const std::size_t i : {std::size_t{3}, std::size_t{9}}) {
    const std::vector<Warning>& kept = swapped.profile.stations[i].warnings;
    CHECK(has_warning(kept, "focal-label-far"));
    const Warning* const missed = find_warning(kept, "left-out-far");
    REQUIRE(missed != nullptr);
    CHECK(missed->value == swapped.profile.stations[i].without_station->rms_px);
  }
  const Warning* const named = find_warning(swapped.warnings, "focal-label-far");
  REQUIRE(named != nullptr);
  CHECK(named->message.starts_with("station 32 mm, 0.6 m: the focal length measured is "));

  const zoom::Gathered again = gathered(swapped.profile.stations);
  CHECK(again.warnings.size() == swapped.warnings.size());
  CHECK(again.profile.stations[3].warnings.size() == 2);

  const auto lens = zoom::ColourZoom::create(swapped.profile.stations, zoom::Colours::kWhereAll);
  REQUIRE(lens);
  const auto beside = zoom::profile_at(
      swapped.profile, *lens, {.focal_mm = 35.0, .focus_m = 0.7}, zoom::Beyond::kRefuse);
  REQUIRE(beside);
  CHECK(has_warning(beside->profile.stations[0].warnings, "focal-label-far"));
  CHECK(has_warning(beside->profile.stations[0].warnings, "left-out-far"));
}

TEST_CASE("a station whose distortion is off is missed by the others") {
  std::vector<profile::Station> all = stations();
  profile::Station& bad = all[7];  // 42 mm at 1.5 m
  std::vector<double> numbers(lens::parameters(bad.lens.model).begin(),
                              lens::parameters(bad.lens.model).end());
  numbers[0] += 0.05;
  const auto model = lens::make_model(lens::model_name(bad.lens.model), numbers);
  REQUIRE(model);
  bad.lens.model = *model;
  const zoom::Gathered found = gathered(all);
  CHECK(has_warning(found.profile.stations[7].warnings, "left-out-far"));
  CHECK(!has_warning(found.profile.stations[7].warnings, "focal-label-far"));
  SUBCASE("not where that is within what is known") {
    for (profile::Station& station : all) station.quality->map_sigma_rms_px = 2.0;
    CHECK(gathered(all).warnings.empty());
  }
}

}  // namespace trueplate::tests
