// The camera as USD text. What its numbers mean is UsdGeomCamera's documentation (release 23.11,
// from memory): focal length and apertures in tenths of the stage's unit, so that
//     x_ndc = 2 (focalLength x / z - horizontalApertureOffset) / horizontalAperture.

#include "calib/exchange/usd_camera_file.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <string>

#include "tests/calib/exchange/lenses.h"

using namespace trueplate;
using exchange::Known;
using exchange::lens_from_usd;
using exchange::Taken;
using exchange::usd_camera_of;
using exchange::Written;
using tests::hd_lens;
using tests::worst_px;
using tests::written_by;

TEST_CASE("there and back, every model") {
  for (const lens::Lens& lens : tests::lens_of_each_model()) {
    CAPTURE(lens::model_name(lens.model));
    const Written written = written_by(usd_camera_of, lens);
    const Result<Taken> taken = lens_from_usd(written.text, {}, "camera.usda");
    REQUIRE_MESSAGE(taken.has_value(), (taken ? "" : taken.error().message));
    const profile::Station& station = taken->profile.stations.front();
    CHECK(worst_px(lens, station.lens) < 1e-9);
    CHECK(station.lens.film_back == lens.film_back);
    CHECK(station.focus_m == 2.5);
    CHECK(station.t_stop == 5.6);
    CHECK(station.entrance_pupil_mm == 118.25);
    CHECK(taken->profile.labels.lens == "Pr\xC3\xAFme <35> & co");
    CHECK(taken->profile.labels.body == "Body \"A\"");
    bool told = false;
    for (const std::string& phrase : written.not_carried) {
      told = told || phrase.find("distortion") != std::string::npos;
    }
    CHECK(told);
  }
}

TEST_CASE("a camera of another program, in metres") {
  const std::string text =
      "#usda 1.0\n(\n    metersPerUnit = 1\n    upAxis = \"Y\"\n)\ndef Xform \"world\"\n{\n"
      "    def Camera \"c\" (\n        kind = \"component\"\n    )\n    {\n"
      "        float focalLength = 0.35\n        float horizontalAperture = 0.36 # mm\n"
      "        float verticalAperture = 0.2025\n        float horizontalApertureOffset = 0.0036\n"
      "        float2 clippingRange = (0.1, 1000)\n    }\n}\n";
  Known known;
  known.plate_size = ImageSize{1920, 1080};
  const Result<Taken> taken = lens_from_usd(text, known, "camera.usda");
  REQUIRE_MESSAGE(taken.has_value(), (taken ? "" : taken.error().message));
  const lens::Lens& lens = taken->profile.stations.front().lens;
  CHECK(lens.focal_px.x() == doctest::Approx(35.0 * 1920 / 36.0));
  CHECK(lens.focal_px.y() == doctest::Approx(35.0 * 1080 / 20.25));
  // The formula above: the axis is imaged at x_ndc = -2 offset / aperture = -0.02.
  CHECK(lens.principal_point_px.x() == doctest::Approx(960.0 - 0.01 * 1920));
  CHECK(lens.principal_point_px.y() == doctest::Approx(540.0));
  CHECK(taken->not_carried == std::vector<std::string>{"clippingRange"});
  CHECK_FALSE(lens_from_usd(text, {}, "camera.usda").has_value());  // no plate size
}

TEST_CASE("texts that are damaged, hostile or of another kind") {
  const std::string good =
      written_by(usd_camera_of, hd_lens(lens::RadialTangential({-0.1, 0, 0, 0, 0}))).text;
  for (std::size_t end = 0; end + 2 < good.size(); end += 7) {
    tests::check_refusal(lens_from_usd(good.substr(0, end), {}, "camera.usda"));
  }
  const auto spoilt = [&](const std::string& what, const std::string& with) {
    std::string text = good;
    const std::size_t at = text.find(what);
    REQUIRE(at != std::string::npos);
    return text.replace(at, text.find('\n', at) - at, with);
  };
  for (const std::string& bad :
       {spoilt("float focalLength", "float focalLength = nan"),
        spoilt("float focalLength", "float focalLength = -3"),
        spoilt("float focalLength", "float focalLength = 1e300"),
        spoilt("float focalLength", "float focalLength ="),
        spoilt("float focalLength", "float focalLength.timeSamples = {1: 2}"),
        spoilt("float horizontalAperture =", "float horizontalAperture = 0"),
        spoilt("custom double2 lens:plateSizePx", "custom double2 lens:plateSizePx = (1e9, -4)"),
        spoilt("custom double[] lens:coef", "custom double[] lens:coefficients = [1e300, 2]"),
        spoilt("custom double[] lens:coef",
               "custom double[] lens:coefficients = [" + std::string(50000, ',') + "]"),
        spoilt("custom string lens:model", "custom string lens:model = \"no such\""),
        fmt::format("#usda 1.0\n{}", std::string(200000, '{')),
        std::string("PXR-USDC\0\0", 10),
        std::string()}) {
    CAPTURE(bad.substr(0, 80));
    tests::check_refusal(lens_from_usd(bad, {}, "camera.usda"));
  }
}
