#include "charts/synth/demo.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <set>

#include "tests/charts/synth/measure.h"

using namespace trueplate;
using synth::Demo;
using synth::DemoLens;
using synth::DemoShot;

namespace {

Demo demo_of(const synth::DemoOptions& options) {
  Result<Demo> demo = synth::make_demo(options);
  REQUIRE_MESSAGE(demo.has_value(), (demo ? "" : demo.error().message));
  return std::move(demo).value();
}

}  // namespace

TEST_CASE("the lenses are what the labels say and can be inverted well beyond the plate") {
  const Demo demo = demo_of({});
  REQUIRE(demo.lenses.size() == 2);
  CHECK(demo.lenses[0].lens.plate_size == ImageSize{1920, 1080});
  CHECK(demo.lenses[1].lens.plate_size == ImageSize{1828, 1556});
  for (const DemoLens& entry : demo.lenses) {
    CAPTURE(entry.name);
    const lens::Lens& lens = entry.lens;
    REQUIRE(lens::validate(lens).has_value());
    CHECK(lens::invertible_share_of_border(lens) == 1.0);
    // A tenth of the plate more on every side
    const double width = lens.plate_size.width;
    const double height = lens.plate_size.height;
    for (int i = 0; i <= 100; ++i) {
      const double x = width * (-0.1 + 1.2 * i / 100.0);
      const double y = height * (-0.1 + 1.2 * i / 100.0);
      for (const Point2d& p : {Point2d(x, -0.1 * height),
                               Point2d(x, 1.1 * height),
                               Point2d(-0.1 * width, y),
                               Point2d(1.1 * width, y)}) {
        CHECK(lens::undistort_px(lens, p).has_value());
      }
    }
    // Focal length in mm along x is the nominal one to a few percent; y over x is the squeeze.
    const auto focal = lens::focal_mm(lens);
    REQUIRE(focal.has_value());
    CHECK(focal->x() * lens.squeeze == doctest::Approx(entry.nominal_focal_mm).epsilon(0.03));
    CHECK(focal->y() / focal->x() == doctest::Approx(lens.squeeze).epsilon(0.01));
    // Pixels as the film back makes them, squeezed by the lens
    const double pitch_x = lens.film_back->width_mm / width;
    const double pitch_y = lens.film_back->height_mm / height;
    CHECK(lens.squeeze * pitch_x / pitch_y == doctest::Approx(lens.pixel_aspect).epsilon(0.002));
  }
}

TEST_CASE("every chart frame shows all corners, at the place that is stated") {
  const Demo demo = demo_of({.scale = 0.25, .num_chart_frames = synth::kMaxPoses});
  std::set<std::string> names;
  for (const DemoLens& entry : demo.lenses) {
    names.insert(entry.name);
    REQUIRE(entry.poses.size() == synth::kMaxPoses);
    for (int frame = 0; frame < synth::kMaxPoses; ++frame) {
      CAPTURE(frame);
      const auto footage = synth::render_demo_chart(demo, entry, frame);
      REQUIRE(footage.has_value());
      REQUIRE(footage->truth.corners.size() == 14U * 9U);
      CHECK(*std::min_element(footage->alpha.data(),
                              footage->alpha.data() + footage->alpha.size()) > 0.999F);
      if (frame != 0) continue;
      // With the noise of the demo, and squares of about 15 px
      double sum2 = 0.0;
      for (const target::Corner& corner : footage->truth.corners) {
        const Point2d found = tests::saddle(footage->luminance, corner.p_plate_px, 1.2);
        sum2 += (found - corner.p_plate_px).squaredNorm();
      }
      CHECK(std::sqrt(sum2 / 126.0) < 0.03);
    }
  }
  CHECK(names.size() == demo.lenses.size());
}

TEST_CASE("each frame and each seed has noise of its own") {
  const Demo demo = demo_of({.scale = 0.1, .num_chart_frames = 2});
  const Demo again = demo_of({.scale = 0.1, .num_chart_frames = 2});
  const Demo other = demo_of({.scale = 0.1, .num_chart_frames = 2, .seed = 2});
  const auto corner_pixels = [](const Demo& d, std::size_t lens, int frame) {
    const auto footage = synth::render_demo_chart(d, d.lenses[lens], frame);
    REQUIRE(footage.has_value());
    return std::vector<float>(footage->luminance.data(), footage->luminance.data() + 32);
  };
  CHECK(corner_pixels(demo, 0, 0) == corner_pixels(again, 0, 0));
  CHECK(corner_pixels(demo, 0, 0) != corner_pixels(demo, 0, 1));
  CHECK(corner_pixels(demo, 0, 0) != corner_pixels(demo, 1, 0));
  CHECK(corner_pixels(demo, 0, 0) != corner_pixels(other, 0, 0));
}

TEST_CASE("the shot: windows, pixel aspect, markers") {
  const Demo demo = demo_of({.scale = 0.2, .num_chart_frames = 1});
  for (const DemoLens& entry : demo.lenses) {
    const auto result = synth::render_demo_shot(entry);
    REQUIRE(result.has_value());
    const DemoShot& shot = *result;
    const ImageSize size = entry.lens.plate_size;
    const Window display{0, 0, size.width, size.height};
    for (const synth::DemoPicture* picture : {&shot.plate, &shot.cg, &shot.cg_on_plate}) {
      CHECK(picture->windows.display == display);
      CHECK(picture->image.width() == picture->windows.data.width);
      CHECK(picture->image.height() == picture->windows.data.height);
      CHECK(picture->pixel_aspect == entry.lens.pixel_aspect);
    }
    CHECK(shot.plate.image.channels() == 3);
    CHECK(shot.cg.image.channels() == 4);
    CHECK(shot.cg_on_plate.image.channels() == 4);
    CHECK(shot.plate.windows.data == display);
    // A barrel lens: the straight picture is larger than the plate on every side.
    const Window& data = shot.cg.windows.data;
    CHECK(data.x < 0);
    CHECK(data.y < 0);
    CHECK(data.x + data.width > size.width);
    CHECK(data.y + data.height > size.height);
    CHECK(shot.markers.size() >= 12);
  }
}

TEST_CASE(
    "tracks: the markers, through a move that a camera solve can use, with the noise stated") {
  const Demo demo = demo_of({.scale = 0.2, .num_chart_frames = 1});
  for (const DemoLens& entry : demo.lenses) {
    const auto tracks = synth::demo_tracks(entry);
    const auto markers = synth::set_markers(entry.lens, entry.camera_from_set);
    REQUIRE(tracks.size() > 12 * synth::kNumTrackFrames);
    CHECK(tracks.back().frame == synth::kFirstTrackFrame + synth::kNumTrackFrames - 1);
    const double sigma_px = synth::kTrackNoise * entry.lens.plate_size.width;
    double sum = 0.0;
    for (std::size_t i = 0; i < markers.size(); ++i) {
      REQUIRE(tracks[i].frame == synth::kFirstTrackFrame);  // where the plate was taken
      CHECK(tracks[i].track == markers[i].name);
      sum += (tracks[i].p_plate_px - markers[i].p_plate_px).squaredNorm();
    }
    // Chi-square of 2 n normals, its mean 2 n and standard deviation 2 sqrt(n), within 4 of these.
    const double n = static_cast<double>(markers.size());
    CHECK(std::abs(sum / (sigma_px * sigma_px) - 2.0 * n) < 8.0 * std::sqrt(n));
  }
}

TEST_CASE("twice the size is the same scene") {
  const Demo small = demo_of({.scale = 0.5, .num_chart_frames = 1});
  const Demo large = demo_of({.scale = 1.0, .num_chart_frames = 1});
  for (std::size_t i = 0; i < small.lenses.size(); ++i) {
    const auto a = synth::set_markers(small.lenses[i].lens, small.lenses[i].camera_from_set);
    const auto b = synth::set_markers(large.lenses[i].lens, large.lenses[i].camera_from_set);
    REQUIRE(a.size() == b.size());
    for (std::size_t k = 0; k < a.size(); ++k) {
      CHECK(a[k].name == b[k].name);
      CHECK((2.0 * a[k].p_plate_px - b[k].p_plate_px).norm() < 1e-6);
    }
    CHECK(small.lenses[i].lens.pixel_aspect == large.lenses[i].lens.pixel_aspect);
  }
}

TEST_CASE("options out of range") {
  CHECK_FALSE(synth::make_demo({.scale = 0.0}).has_value());
  CHECK_FALSE(synth::make_demo({.scale = NAN}).has_value());
  CHECK_FALSE(synth::make_demo({.scale = 1e9}).has_value());
  CHECK_FALSE(synth::make_demo({.num_chart_frames = 0}).has_value());
  CHECK_FALSE(synth::make_demo({.num_chart_frames = 100}).has_value());
  const Demo demo = demo_of({.scale = 0.1, .num_chart_frames = 2});
  CHECK_FALSE(synth::render_demo_chart(demo, demo.lenses[0], 2).has_value());
  CHECK_FALSE(synth::render_demo_chart(demo, demo.lenses[0], -1).has_value());
}
