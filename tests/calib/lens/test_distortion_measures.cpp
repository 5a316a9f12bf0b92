#include "calib/lens/distortion_measures.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

using trueplate::Point2d;
using trueplate::lens::frame_distortion;
using trueplate::lens::FrameDistortion;
using trueplate::lens::Lens;
using trueplate::lens::overscan_factor;
using trueplate::lens::picture_height_distortion;
using trueplate::lens::point_distortion;
using trueplate::lens::RadialTangential;

namespace {

/// Barrel lens of the worked example: k1 -0.05, focal length 1800 px, 1920x1080, all centred.
Lens worked_example() {
  Lens lens;
  lens.plate_size = {1920, 1080};
  lens.focal_px = {1800.0, 1800.0};
  lens.principal_point_px = {960.0, 540.0};
  lens.model = RadialTangential({-0.05, 0.0, 0.0, 0.0, 0.0});
  return lens;
}

}  // namespace

// Point distortion after ISO 9039, picture height distortion after EBU Tech 3249 (1995) section
// 2.11 and its SMIA form, overscan after OpenLensIO 1.0.0 (2025) equations 23 and 24. The numbers
// were computed from those formulas in double precision, apart from this code.
TEST_CASE("worked example of a barrel lens") {
  const Lens lens = worked_example();
  const FrameDistortion frame = frame_distortion(lens);
  REQUIRE(frame.corner);
  CHECK(std::abs(frame.corner->percent() - -1.94733) < 5e-6);
  CHECK(std::abs(frame.corner->actual_height_px - 1101.453585) < 5e-7);
  CHECK(std::abs(frame.corner->ideal_height_px - 1123.328444) < 5e-7);
  const auto tv = picture_height_distortion(lens);
  REQUIRE(tv);
  CHECK(std::abs(tv->ebu_percent - -0.74279) < 5e-6);
  CHECK(std::abs(tv->smia_percent - -1.48559) < 5e-6);
  // Delta_H of the same example, with two more digits.
  CHECK(std::abs(tv->ebu_percent / 100.0 * 1080.0 - -8.022168) < 5e-7);
  REQUIRE(overscan_factor(lens));
  CHECK(std::abs(*overscan_factor(lens) - 1.0198600) < 5e-8);
}

// Third-order estimate D_TV = D_corner / (2 (1 + (H/W)^2)), computed; holds for weak distortion.
TEST_CASE("picture height distortion follows the corner by the third-order estimate") {
  Lens lens = worked_example();
  for (const double k1 : {-1e-4, 1e-4}) {
    for (const int height : {1080, 1280, 1440}) {
      lens.plate_size.height = height;
      lens.principal_point_px.y() = height / 2.0;
      lens.model = RadialTangential({k1, 0.0, 0.0, 0.0, 0.0});
      const double ratio = height / 1920.0;
      const double estimate =
          frame_distortion(lens).corner->percent() / (2.0 * (1.0 + ratio * ratio));
      CHECK(picture_height_distortion(lens)->ebu_percent ==
            doctest::Approx(estimate).epsilon(1e-3));
    }
  }
}

TEST_CASE("a lens without distortion measures zero") {
  Lens lens = worked_example();
  lens.principal_point_px = {1000.0, 500.0};
  lens.model = RadialTangential();
  CHECK(std::abs(frame_distortion(lens).corner->percent()) < 1e-12);
  CHECK(std::abs(frame_distortion(lens).side_edge->shift_px()) < 1e-9);
  CHECK(std::abs(picture_height_distortion(lens)->ebu_percent) < 1e-10);
  CHECK(*overscan_factor(lens) == doctest::Approx(1.0).epsilon(1e-14));
  CHECK_FALSE(point_distortion(lens, lens.principal_point_px));
}

TEST_CASE("side and top edges by hand") {
  // Along an axis the ideal height solves r (1 + k1 r^2) = r_d.
  const Lens lens = worked_example();
  const auto percent_at = [](double height_px) {
    const double rd = height_px / 1800.0;
    double r = rd;
    for (int i = 0; i < 100; ++i) r = rd / (1.0 - 0.05 * r * r);
    return 100.0 * (rd - r) / r;
  };
  CHECK(frame_distortion(lens).side_edge->percent() == doctest::Approx(percent_at(960.0)));
  CHECK(frame_distortion(lens).top_edge->percent() == doctest::Approx(percent_at(540.0)));
}

TEST_CASE("the shape of the pixels does not change the percentage") {
  const Lens lens = worked_example();
  const Lens squeezed = trueplate::lens::scaled_to(lens, {960, 1080});
  CHECK(squeezed.pixel_aspect == 2.0);
  const auto a = frame_distortion(lens).corner;
  const auto b = frame_distortion(squeezed).corner;
  CHECK(a->percent() == doctest::Approx(b->percent()).epsilon(1e-12));
  CHECK(a->shift_px() == doctest::Approx(b->shift_px()).epsilon(1e-12));
  CHECK(picture_height_distortion(squeezed)->ebu_percent ==
        doctest::Approx(picture_height_distortion(lens)->ebu_percent).epsilon(1e-10));
}

TEST_CASE("the most distorted corner is the one whose figure is the frame's") {
  Lens lens = worked_example();
  lens.principal_point_px += Point2d(40.0, -25.0);  // so the lower left corner is farthest
  const Point2d corner = trueplate::lens::most_distorted_corner(lens);
  CHECK(corner == Point2d(0.0, lens.plate_size.height));
  CHECK(trueplate::lens::point_distortion(lens, corner)->percent() ==
        frame_distortion(lens).corner->percent());
}

TEST_CASE(
    "the mean of the corners is theirs where all are alike, and lies between them elsewhere") {
  Lens lens = worked_example();
  CHECK(*trueplate::lens::mean_corner_percent(lens) ==
        doctest::Approx(frame_distortion(lens).corner->percent()).epsilon(1e-3));
  lens.principal_point_px += Point2d(40.0, -25.0);
  const double mean = *trueplate::lens::mean_corner_percent(lens);
  CHECK(std::abs(mean) < std::abs(frame_distortion(lens).corner->percent()));
  CHECK(mean < 0.0);  // barrel
}

TEST_CASE("field of view") {
  Lens lens = worked_example();
  const double degrees = 180.0 / std::numbers::pi;
  const auto straight = trueplate::lens::straight_field_of_view(lens);
  CHECK(straight.horizontal_deg == doctest::Approx(2.0 * std::atan(960.0 / 1800.0) * degrees));
  CHECK(straight.vertical_deg == doctest::Approx(2.0 * std::atan(540.0 / 1800.0) * degrees));
  // A barrel lens sees more than its pinhole.
  const auto plate = trueplate::lens::plate_field_of_view(lens);
  REQUIRE(plate);
  CHECK(plate->horizontal_deg > straight.horizontal_deg);
  CHECK(plate->vertical_deg > straight.vertical_deg);
  lens.model = RadialTangential();
  CHECK(trueplate::lens::plate_field_of_view(lens)->horizontal_deg ==
        doctest::Approx(straight.horizontal_deg));
}

TEST_CASE("a lens that folds inside the frame has no figures there") {
  Lens lens = worked_example();
  lens.focal_px = {500.0, 500.0};
  lens.model = RadialTangential({-0.3, 0.0, 0.0, 0.0, 0.0});
  CHECK_FALSE(frame_distortion(lens).corner);
  CHECK_FALSE(frame_distortion(lens).side_edge);
  CHECK_FALSE(picture_height_distortion(lens));
  CHECK_FALSE(overscan_factor(lens));
  CHECK_FALSE(trueplate::lens::plate_field_of_view(lens));
}
