#include "warp/handoff.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <limits>

#include "tests/warp/support.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::make_lens;

namespace {

/// 50 mm before 24 x 12 mm on 2400 x 1200 pixels, so 100 px are 1 mm; axis 30 px right of and 20 px
/// above the middle.
lens::Lens simple_lens() {
  lens::Lens lens = make_lens({2400, 1200}, 5000.0, {-0.1, 0, 0, 0, 0}, {30.0, -20.0});
  lens.film_back = lens::FilmBack{24.0, 12.0};
  return lens;
}

constexpr EdgePixels kEdges{100, 50, 200, 150};

Handoff handoff_of(const lens::Lens& lens, const MapOptions& options = {}) {
  const Result<Handoff> handoff = make_handoff(lens, options, Filter::kCubic);
  REQUIRE(handoff);
  return *handoff;
}

void check_near(const Point2d& found, const Point2d& wanted) {
  CAPTURE(found.x());
  CAPTURE(found.y());
  CHECK((found - wanted).norm() < 1e-12 * std::max(1.0, wanted.norm()));
}

}  // namespace

// By hand: 100 px are 1 mm on this film back.
TEST_CASE("numbers of a lens that can be worked out on paper") {
  const Handoff handoff = handoff_of(simple_lens(), {.overscan_px = kEdges});
  const PinholeCamera solve = handoff.solve();
  CHECK(solve.size_px == ImageSize{2400, 1200});
  check_near(solve.principal_point_px, {1230.0, 580.0});
  check_near(solve.principal_offset_px(), {30.0, -20.0});
  CHECK(solve.pixel_aspect() == 1.0);
  const auto solve_film = handoff.film(solve);
  REQUIRE(solve_film);
  CHECK(solve_film->focal_mm == doctest::Approx(50.0).epsilon(1e-14));
  check_near({solve_film->film_back.width_mm, solve_film->film_back.height_mm}, {24.0, 12.0});
  check_near(solve_film->principal_offset_mm, {0.3, -0.2});
  check_near(solve_film->window_shift_mm, {-0.3, -0.2});
  const UnitWindow window = solve.unit_window();
  check_near({window.left, window.right}, {-1230.0 / 5000.0, 1170.0 / 5000.0});
  check_near({window.bottom, window.top}, {-620.0 / 5000.0, 580.0 / 5000.0});

  const PinholeCamera render = handoff.render();
  CHECK(render.size_px == ImageSize{2700, 1400});
  check_near(render.principal_point_px, {1330.0, 630.0});
  check_near(render.principal_offset_px(), {-20.0, -70.0});
  const auto film = handoff.film(render);
  REQUIRE(film);
  CHECK(film->focal_mm == solve_film->focal_mm);
  check_near({film->film_back.width_mm, film->film_back.height_mm}, {27.0, 14.0});
  check_near(film->principal_offset_mm, {-0.2, -0.7});
  check_near(film->window_shift_mm, {0.2, -0.7});
  CHECK(handoff.crop() == Window{100, 50, 2400, 1200});
  check_near(handoff.overscan_factor(), {2700.0 / 2400.0, 1400.0 / 1200.0});
}

// The angle of view of a film back on the axis is 2 atan(side / (2 f)): 24 mm before 50 mm.
TEST_CASE("field of view of a centred picture is the handbook's") {
  lens::Lens lens = simple_lens();
  lens.principal_point_px = {1200.0, 600.0};
  const Point2d view = handoff_of(lens).solve().field_of_view_deg();
  const double degrees = 180.0 / 3.14159265358979323846;
  check_near(view, {2 * degrees * std::atan(24.0 / 100.0), 2 * degrees * std::atan(12.0 / 100.0)});
}

TEST_CASE("a squeezed lens: one focal length, a film back that makes the measured pixels") {
  lens::Lens lens = simple_lens();
  lens.plate_size = {1200, 1200};
  lens.principal_point_px = {615.0, 580.0};
  lens.film_back = lens::FilmBack{24.0, 24.0};
  lens.focal_px = {1250.0, 2480.0};  // 25 mm in x, 49.6 mm in y: a squeeze of 1.984
  lens.pixel_aspect = 2.0;
  lens.squeeze = 2.0;
  const Handoff handoff = handoff_of(lens, {.overscan_px = kEdges});
  CHECK(*handoff.measured_squeeze() == doctest::Approx(1.984).epsilon(1e-14));
  for (const PinholeCamera& camera : {handoff.solve(), handoff.render()}) {
    const auto film = handoff.film(camera);
    REQUIRE(film);
    CHECK(film->focal_mm == doctest::Approx(25.0).epsilon(1e-14));
    // The trade's formula, on both axes with the one focal length.
    check_near({film->focal_mm * camera.size_px.width / film->film_back.width_mm,
                film->focal_mm * camera.size_px.height / film->film_back.height_mm},
               lens.focal_px);
    CHECK(camera.pixel_aspect() == doctest::Approx(1.984).epsilon(1e-14));
    // Film back and unit window are the same edges.
    const UnitWindow window = camera.unit_window();
    check_near(
        0.5 * film->focal_mm * Point2d(window.left + window.right, window.bottom + window.top),
        film->window_shift_mm);
    check_near(film->focal_mm * Point2d(window.right - window.left, window.top - window.bottom),
               {film->film_back.width_mm, film->film_back.height_mm});
  }
}

TEST_CASE("windows are those of the maps, wherever the display window begins") {
  const lens::Lens lens = make_lens({64, 48}, 60.0, {-0.2, 0, 0, 0, 0});
  for (const Window display :
       {Window{0, 0, 64, 48}, Window{-100, 37, 64, 48}, Window{7, 9, 128, 96}}) {
    const MapOptions options{
        .display_window = display, .overscan_px = {3, 5, 7, 9}, .t_origin = TOrigin::kTopLeft};
    const Handoff handoff = handoff_of(lens, options);
    const Result<StMap> undistort = make_undistort_map(lens, options);
    const Result<StMap> redistort = make_redistort_map(lens, {.display_window = display});
    REQUIRE(undistort);
    REQUIRE(redistort);
    CHECK(handoff.use_of(MapDirection::kUndistort).output == undistort->output);
    CHECK(handoff.use_of(MapDirection::kUndistort).source.display == undistort->source_display);
    CHECK(handoff.use_of(MapDirection::kRedistort).output == redistort->output);
    CHECK(handoff.use_of(MapDirection::kRedistort).source == undistort->output);
    CHECK(handoff.t_origin == TOrigin::kTopLeft);
    // A ray through the pinhole lands where the undistort map's picture has it.
    const Point2d p_ideal(0.21, -0.13);
    const lens::Lens sized = lens::scaled_to(lens, display.size());
    const PinholeCamera render = handoff.render();
    check_near(
        render.focal_px.cwiseProduct(p_ideal) + render.principal_point_px - Point2d(3.0, 5.0),
        lens::px_from_ideal(sized, p_ideal));
  }
}

TEST_CASE("the pinhole of a common straight picture takes the place of the lens's") {
  const lens::Lens lens = simple_lens();
  const Handoff handoff = handoff_of(lens,
                                     {.display_window = Window{0, 0, 1200, 600},
                                      .straight = StraightPinhole{{5010, 5020}, {1, 2}}});
  check_near(handoff.solve().focal_px, {2505.0, 2510.0});
  check_near(handoff.solve().principal_point_px, {0.5, 1.0});
}

TEST_CASE("without a film back the pixels stay, and impossible lenses are refused") {
  lens::Lens lens = simple_lens();
  lens.film_back.reset();
  const Handoff handoff = handoff_of(lens);
  CHECK_FALSE(handoff.film(handoff.solve()));
  CHECK_FALSE(handoff.measured_squeeze());
  check_near(handoff.solve().focal_px, {5000.0, 5000.0});
  CHECK_FALSE(make_handoff(lens, {.overscan_px = {-1, 0, 0, 0}}, Filter::kCubic));
  lens.focal_px.x() = std::numeric_limits<double>::quiet_NaN();
  CHECK_FALSE(make_handoff(lens, {}, Filter::kCubic));
}
