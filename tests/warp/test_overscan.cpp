#include "warp/overscan.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "calib/lens/spline_field.h"
#include "tests/warp/support.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::make_lens;
using Kind = OverscanRequest::Kind;

namespace {

bool warns(const Overscan& result, std::string_view code) {
  return std::any_of(result.warnings.begin(), result.warnings.end(), [&](const Warning& warning) {
    return warning.code == code;
  });
}

}  // namespace

// Worked example computed in double precision from equations (23) and (24) of the OpenLensIO lens
// model 1.0.0: k1 = -0.05, f = 1800 px, 1920 x 1080, centre in the middle.
TEST_CASE("bounds and factor of the worked example") {
  const lens::Lens lens = make_lens({1920, 1080}, 1800.0, {-0.05, 0, 0, 0, 0});
  const StraightBounds bounds = straight_bounds(lens);
  CHECK(bounds.invertible_share == 1.0);
  CHECK(std::abs(bounds.max_px.x() - 960.0 - 979.065592) < 1e-6);
  CHECK(std::abs(bounds.max_px.y() - 540.0 - 550.724395) < 1e-6);
  CHECK(std::abs(bounds.min_px.x() - 960.0 + 979.065592) < 1e-6);
  CHECK(std::abs(bounds.min_px.y() - 540.0 + 550.724395) < 1e-6);
  CHECK(std::abs(overscan_factor(bounds, lens.plate_size) - 1.0198600) < 1e-7);

  const Result<Overscan> smallest = overscan(lens, {});
  REQUIRE(smallest);
  CHECK(smallest->edges == EdgePixels{20, 11, 20, 11});
  CHECK(smallest->warnings.empty());
  CHECK(overscan_factor(smallest->edges, lens.plate_size) ==
        doctest::Approx(std::max(1960.0 / 1920.0, 1102.0 / 1080.0)).epsilon(1e-15));
  CHECK(overscan(lens, {}, {.round_to = 2})->edges == EdgePixels{20, 12, 20, 12});
  CHECK(overscan(lens, {}, {.round_to = 16})->edges == EdgePixels{32, 16, 32, 16});
  CHECK(overscan(lens, {}, {.margin_px = 3})->edges == EdgePixels{23, 14, 23, 14});
}

TEST_CASE("the automatic window holds every plate pixel's inverse, and a smaller one does not") {
  for (const std::array<double, 5>& parameters :
       {std::array{-0.15, 0.02, 0.0, 0.002, -0.003},
        std::array{0.08, 0.0, 0.0, 0.0, 0.001},
        std::array{-0.2, 0.35, -0.1, 0.0, 0.0}}) {  // barrel turning into pincushion outside
    const lens::Lens lens = make_lens({1000, 700}, 800.0, parameters, {23.0, -31.0});
    const Result<Overscan> result = overscan(lens, {});
    REQUIRE(result);
    const EdgePixels& e = result->edges;
    Point2d low(1e9, 1e9), high(-1e9, -1e9);
    for (double y = 0.0; y <= 700.0; y += 0.5) {
      for (double x : {0.0, 1000.0}) {
        const Point2d p = *lens::undistort_px(lens, {x, y});
        low = low.cwiseMin(p);
        high = high.cwiseMax(p);
      }
    }
    for (double x = 0.0; x <= 1000.0; x += 0.5) {
      for (double y : {0.0, 700.0}) {
        const Point2d p = *lens::undistort_px(lens, {x, y});
        low = low.cwiseMin(p);
        high = high.cwiseMax(p);
      }
    }
    const auto wanted = [](double reach) { return reach <= 0.0 ? 0 : static_cast<int>(reach) + 1; };
    CHECK(e == EdgePixels{wanted(-low.x()),
                          wanted(-low.y()),
                          wanted(high.x() - 1000.0),
                          wanted(high.y() - 700.0)});
  }
}

TEST_CASE("no distortion needs no overscan, and none, percent and pixels are taken as given") {
  const lens::Lens lens = make_lens({1920, 1080}, 1800.0, {});
  CHECK(overscan(lens, {})->edges == EdgePixels{});
  CHECK(overscan(lens, {}, {.margin_px = 3})->edges == EdgePixels{});
  CHECK(overscan(lens, {.kind = Kind::kNone}, {.round_to = 8})->edges == EdgePixels{});
  CHECK(overscan(lens, {.kind = Kind::kPercent, .percent = 5.0})->edges ==
        EdgePixels{96, 54, 96, 54});
  CHECK(overscan(lens, {.kind = Kind::kPercent, .percent = 5.01}, {.round_to = 2})->edges ==
        EdgePixels{98, 56, 98, 56});
  CHECK(overscan(lens, {.kind = Kind::kPixels, .pixels = {1, 2, 3, 4}})->edges ==
        EdgePixels{1, 2, 3, 4});
  CHECK(overscan(lens, {.kind = Kind::kPixels, .pixels = {0, 2, 3, 5}}, {.round_to = 4})->edges ==
        EdgePixels{0, 2, 3, 5});
  CHECK(data_window({10, 20, 1920, 1080}, {1, 2, 3, 4}) == Window{9, 18, 1924, 1086});
}

TEST_CASE("a lens that folds inside the plate: bounds of the part that has an inverse, a warning") {
  // The fold is at 450 / sqrt(2.7) = 273.86 px, its image at 2 / 3 of it, 182.57 px, so all
  // corners and both sides of the plate are lost, the top and the bottom as well.
  const lens::Lens lens = make_lens({640, 480}, 450.0, {-0.9, 0, 0, 0, 0});
  const StraightBounds bounds = straight_bounds(lens);
  CHECK(bounds.invertible_share == 0.0);
  CHECK(bounds.max_px.x() - 320.0 == doctest::Approx(450.0 / std::sqrt(2.7)).epsilon(1e-6));
  CHECK(bounds.min_px.y() - 240.0 == doctest::Approx(-450.0 / std::sqrt(2.7)).epsilon(1e-6));
  const Result<Overscan> result = overscan(lens, {});
  REQUIRE(result);
  CHECK(result->edges == EdgePixels{0, 34, 0, 34});
  REQUIRE(warns(*result, "overscan-no-inverse"));
  CHECK(result->warnings[0].value == 1.0);
  CHECK(result->warnings[0].message.find("100.0 %") != std::string::npos);

  // Part of the border: 480 px high, 300 px wide, fold image at 182.57 px.
  const lens::Lens narrow = make_lens({300, 480}, 450.0, {-0.9, 0, 0, 0, 0});
  const StraightBounds part = straight_bounds(narrow);
  CHECK(part.invertible_share > 0.2);
  CHECK(part.invertible_share < 0.5);
  CHECK(part.max_px.y() - 240.0 == doctest::Approx(450.0 / std::sqrt(2.7)).epsilon(1e-6));
  CHECK(warns(*overscan(narrow, {}), "overscan-no-inverse"));
}

TEST_CASE("nothing that can be straightened, and windows beyond the limit, are errors") {
  lens::Lens away = make_lens({640, 480}, 450.0, {-0.9, 0, 0, 0, 0}, {5000.0, 0.0});
  const Result<Overscan> nothing = overscan(away, {});
  REQUIRE_FALSE(nothing);
  CHECK(nothing.error().code == ErrorCode::kUnsupported);

  // Nearly flat outside: the corners lie some hundred times further out.
  const lens::Lens wide = make_lens({640, 480}, 3.0, {-1e-5, 1e-10, 0, 0, 0});
  CHECK(overscan(wide, {}));
  const lens::Lens large = make_lens({60000, 480}, 50000.0, {});
  const Result<Overscan> beyond = overscan(large, {.kind = Kind::kPercent, .percent = 10.0});
  REQUIRE_FALSE(beyond);
  CHECK(beyond.error().message.find("72000x576") != std::string::npos);

  CHECK_FALSE(overscan(large, {}, {.round_to = 0}));
  CHECK_FALSE(overscan(large, {}, {.margin_px = -1}));
  CHECK_FALSE(overscan(large, {.kind = Kind::kPercent, .percent = -1.0}));
  CHECK_FALSE(overscan(large, {.kind = Kind::kPercent, .percent = std::nan("")}));
  CHECK_FALSE(overscan(large, {.kind = Kind::kPixels, .pixels = {0, 0, -1, 0}}));
  lens::Lens broken = large;
  broken.plate_size.width = 0;
  CHECK_FALSE(overscan(broken, {}));
}

TEST_CASE("much overscan is a warning with the ratio of areas") {
  const lens::Lens lens = make_lens({1000, 1000}, 900.0, {});
  CHECK_FALSE(warns(*overscan(lens, {.kind = Kind::kPercent, .percent = 20.0}), "overscan-large"));
  const Result<Overscan> result = overscan(lens, {.kind = Kind::kPercent, .percent = 25.0});
  REQUIRE(warns(*result, "overscan-large"));
  CHECK(result->warnings[0].value == 2.25);
}

TEST_CASE("option text") {
  CHECK(parse_overscan("none")->kind == Kind::kNone);
  CHECK(parse_overscan(" auto ")->kind == Kind::kAuto);
  const Result<OverscanRequest> percent = parse_overscan("8%");
  REQUIRE(percent);
  CHECK(percent->kind == Kind::kPercent);
  CHECK(percent->percent == 8.0);
  CHECK(parse_overscan("7.5 %")->percent == 7.5);
  const Result<OverscanRequest> pixels = parse_overscan("10, 0,12,3");
  REQUIRE(pixels);
  CHECK(pixels->kind == Kind::kPixels);
  CHECK(pixels->pixels == EdgePixels{10, 0, 12, 3});
  for (const char* text : {"",
                           "8",
                           "%",
                           "-1%",
                           "1001%",
                           "nan%",
                           "1,2,3",
                           "1,2,3,4,5",
                           "1,2,3,x",
                           "1,2,-3,4",
                           "1,2,3,4.5",
                           "1,2,3,99999999",
                           "1,2,3,99999999999999999999",
                           "Auto",
                           "auto8%",
                           "8%%",
                           ",,,"}) {
    CAPTURE(text);
    const Result<OverscanRequest> refused = parse_overscan(text);
    REQUIRE_FALSE(refused);
    CHECK(refused.error().message.find(text) != std::string::npos);
    CHECK(refused.error().message.find("auto") != std::string::npos);
  }
}

TEST_CASE("a picture that reaches out of a spline field says by how much, and where it ends") {
  lens::Lens lens = make_lens({700, 400}, 500.0, {});
  lens::SplineField::Parameters parameters{};
  parameters[lens::SplineField::kHalfWidth] = 0.7;  // the plate: 350 px
  parameters[lens::SplineField::kHalfHeight] = 0.4;
  parameters[lens::SplineField::kFirstX + 33] = 0.01;
  lens.model = lens::SplineField(parameters);
  const Result<Overscan> whole = overscan(lens, {}, {.margin_px = 3});
  REQUIRE(whole);
  CHECK_FALSE(warns(*whole, "beyond-field"));
  const Result<Overscan> more =
      overscan(lens, {.kind = Kind::kPixels, .pixels = {80, 10, 120, 10}});
  REQUIRE(more);
  REQUIRE(warns(*more, "beyond-field"));
  CHECK(more->warnings.front().value == doctest::Approx(120.0));
  // Three cells of seven and of four over the width and the height.
  CHECK(more->warnings.front().message.find("from 300 and 300 px on") != std::string::npos);
  // Another focal length of the straight picture moves the field's edge.
  const Result<Overscan> reduced =
      overscan(lens,
               {.kind = Kind::kPixels, .pixels = {80, 10, 120, 10}},
               {.straight = StraightPinhole{{700.0, 700.0}, lens.principal_point_px}});
  REQUIRE(reduced);
  CHECK_FALSE(warns(*reduced, "beyond-field"));
}
