#include "calib/profile/describe.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <string>

#include "calib/base/text.h"
#include "tests/calib/profile/example_profile.h"

using trueplate::profile::describe;
using trueplate::profile::Profile;
using trueplate::tests::example_profile;

namespace {

bool says(const std::string& text, std::string_view part) {
  // Line breaks within an entry do not matter here.
  std::string flat;
  for (const char c : text) {
    if (c != '\n' && (c != ' ' || !flat.ends_with(' '))) flat += c;
    if (c == '\n' && !flat.ends_with(' ')) flat += ' ';
  }
  const bool found = flat.find(part) != std::string::npos;
  if (!found) MESSAGE("not in: ", flat);
  return found;
}

}  // namespace

// The figures of the worked example in tests/calib/lens/test_distortion_measures.cpp.
TEST_CASE("a profile in words") {
  Profile profile = example_profile();
  trueplate::lens::Lens& lens = profile.stations[0].lens;
  lens.focal_px = {1800.0, 1800.0};
  lens.principal_point_px = {960.0, 540.0};
  lens.film_back = trueplate::lens::FilmBack{.width_mm = 24.0, .height_mm = 13.5};
  lens.model = trueplate::lens::RadialTangential({-0.05, 0.0, 0.0, 0.0, 0.0});
  const std::string text = describe(profile);
  CHECK(says(text, "Lens Example prime 35 mm "));
  CHECK(says(text, "Station: nominal 35 mm, focus 2.5 m, T5.6"));
  CHECK(says(text, "Plate 1920x1080 px, pixel aspect 1, film back 24 x 13.5 mm"));
  CHECK(says(text, "Focal length 1800.00 px (sigma 0.80) in x, 1800.00 px (sigma 0.40) in y"));
  CHECK(says(text, "22.500 mm (sigma 0.010) in x"));      // 1800 * 24 / 1920
  CHECK(says(text, "56.145 x 33.398 deg straightened"));  // 2 atan(960/1800), 2 atan(540/1800)
  CHECK(says(text, "0.00 px right and 0.00 px below the centre"));
  CHECK(says(text, "frame corner -1.947 % (-21.87 px)"));
  CHECK(says(text,
             "Picture height -0.743 % distortion after EBU Tech 3249 (the SMIA figure is "
             "-1.486 %)"));
  CHECK(says(text, "1.0199 times the plate"));
  CHECK(says(text, "Model radial-tangential k1 -0.050000 (sigma 6.3e-05)"));
  CHECK(says(text, "the whole plate can be straightened"));
  CHECK(says(text, "rms 0.1234 px over 108 points in 2 of 3 frames"));
  CHECK(says(text, "good: below the 0.3 px"));
  CHECK(says(text, "held out: rms 0.1310 px, in frames the fit did not see"));
  CHECK(says(text, "Warnings little-tilt: the chart is tilted"));
  CHECK(says(text, "Made 2031-05-04T10:20:30Z by trueplate 0.1.0"));
  CHECK(says(text,
             "3 pieces, 2 used, 1 with its SHA-256 not used: grid.1003.exr (found 6 of 54 "
             "corners, need 24)"));
  for (const std::string_view line : trueplate::split(text, '\n')) {
    CHECK(line.size() <= 100);
    CHECK_FALSE(line.ends_with(' '));
  }
  CHECK(text.ends_with('\n'));
}

TEST_CASE("the verdict follows the bands") {
  Profile profile = example_profile();
  profile.stations[0].quality->held_out_rms_px.reset();
  profile.stations[0].quality->rms_px = 0.5;
  CHECK(says(describe(profile), "usable for a camera solve at HD or 2K"));
  profile.stations[0].quality->rms_px = 1.5;
  profile.stations[0].quality->max_px = 5.0;
  CHECK(says(describe(profile), "above 1 px: suspect"));
}

// By definition a root mean square is no more than the largest.
TEST_CASE("figures that no fit has are told") {
  Profile profile = example_profile();
  profile.stations[0].quality->held_out_rms_px.reset();
  profile.stations[0].quality->rms_px = 1.01 * profile.stations[0].quality->max_px;
  CHECK_FALSE(says(describe(profile), "no fit's figures"));  // it may have been rounded
  profile.stations[0].quality->rms_px = 1.02 * profile.stations[0].quality->max_px;
  CHECK(says(describe(profile), "no fit's figures"));
  profile.stations[0].quality->rms_px = 0.0;
  CHECK(says(describe(profile), "no fit's figures"));
}

TEST_CASE("what is not known is said to be so") {
  Profile profile;
  trueplate::profile::Station station;
  station.lens.plate_size = {640, 480};
  station.lens.focal_px = {100.0, 100.0};
  station.lens.principal_point_px = {320.0, 240.0};
  station.lens.model = trueplate::lens::RadialTangential({-0.3, 0.0, 0.0, 0.0, 0.0});
  profile.stations = {station, station};
  const std::string text = describe(profile);
  CHECK(says(text, "Lens not named"));
  CHECK(says(text, "Station 2 of 2: focal length, focus and stop not stated"));
  CHECK(says(text, "film back not stated"));
  CHECK(says(text, "frame corner no inverse there"));
  CHECK(says(text, "only 0.0 % of the plate's border can be straightened"));
  CHECK(says(text, "Fit not known"));
  CHECK(says(text, "Warnings none"));
  CHECK(says(text, "Footage none listed"));
}

TEST_CASE("an anamorphic lens states the squeeze that was measured") {
  Profile profile = example_profile();
  profile.stations[0].lens.squeeze = 2.0;
  profile.stations[0].lens.pixel_aspect = 2.0;
  profile.stations[0].lens.focal_px = {900.0, 1810.0};
  profile.stations[0].lens.film_back =
      trueplate::lens::FilmBack{.width_mm = 19.2, .height_mm = 10.8};
  CHECK(says(describe(profile), "squeeze 2,"));
  CHECK(says(describe(profile), "y over x is 2.0111, the squeeze that was measured"));
}

TEST_CASE("text from the file cannot drive a terminal") {
  Profile profile = example_profile();
  profile.labels.lens = "evil\x1b[2J\r\nname\xFF";
  profile.provenance.footage[2].name = fmt::format("{:x>2000}\x07", "");
  profile.provenance.footage.resize(1000, profile.provenance.footage[2]);
  const std::string text = describe(profile);
  CHECK(std::none_of(text.begin(), text.end(), [](char c) {
    return static_cast<unsigned char>(c) < 0x20 && c != '\n';
  }));
  CHECK(says(text, "Lens evil\xEF\xBF\xBD[2J name\xEF\xBF\xBD"));
  CHECK(says(text, "not used: 988 more"));
  CHECK(text.size() < 20000);
}

TEST_CASE("of a spline field: its formula, the size of its values and where it ends") {
  Profile profile = example_profile();
  trueplate::profile::Station& station = profile.stations[0];
  using trueplate::lens::SplineField;
  SplineField::Parameters parameters{};
  parameters[0] = -0.05;
  parameters[SplineField::kHalfWidth] = 0.56;
  parameters[SplineField::kHalfHeight] = 0.32;
  parameters[SplineField::kFirstY + 20] = -0.01;
  station.lens.focal_px = {1000.0, 1000.0};
  station.lens.model = SplineField(parameters);
  station.uncertainty.reset();
  station.channels.reset();
  const std::string text = describe(profile);
  CHECK(says(text, "half_height 0.32"));
  CHECK(text.find("sx_0_0") == std::string::npos);
  CHECK(says(text, "140 values of the field, at most 10 px"));
  CHECK(says(text, "within 560 px (x) and 320 px (y)"));
  CHECK(says(text, "from 1040 and 800 px on"));
}

TEST_CASE("a day is one of calibration only where something was fitted to footage") {
  Profile profile = example_profile();
  CHECK(trueplate::profile::made_words(profile) == "calibrated");
  for (trueplate::profile::Station& station : profile.stations) station.quality.reset();
  CHECK(trueplate::profile::made_words(profile) == "profile made");
}
