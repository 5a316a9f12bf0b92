// Interlaced frames: FFmpeg's tinterlace filter weaves the rows of two moments into one frame, as
// an interlaced camera does; by how much the chart moved in between is known. Fine horizontal lines
// are the counter-example: they alternate from row to row and are not interlaced.

#include "calib/footage/field_motion.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>
#include <vector>

#include "calib/footage/frame_set.h"
#include "calib/footage/frame_stream.h"
#include "tests/support/chart_movie.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using trueplate::tests::ScratchFolder;

namespace {

Window whole(const Image<float>& image) {
  return {.x = 0, .y = 0, .width = image.width(), .height = image.height()};
}

tests::ChartScene scene_of(tests::Pattern pattern) {
  tests::ChartScene scene;
  scene.width = 640;
  scene.height = 480;
  scene.pattern = pattern;
  scene.columns = 11;
  scene.rows = 8;
  scene.noise = 0.005;
  scene.pose = {.focal_px = 700.0,
                .middle_px = {310.0, 230.0},
                .square_px = 42.0,
                .tilt_x_deg = 12.0,
                .tilt_y_deg = -9.0,
                .roll_deg = 4.0};
  return scene;
}

/// The even rows of one picture and the odd rows of another.
Image<float> woven(const Image<float>& even, const Image<float>& odd) {
  Image<float> image(even.width(), even.height(), 1);
  for (int y = 0; y < image.height(); ++y) {
    const Image<float>& from = y % 2 == 0 ? even : odd;
    for (int x = 0; x < image.width(); ++x) image.at(x, y) = from.at(x, y);
  }
  return image;
}

}  // namespace

TEST_CASE("the motion between the fields is measured, for every kind of chart") {
  for (const tests::Pattern pattern : {tests::Pattern::kCheckerboard,
                                       tests::Pattern::kLines,
                                       tests::Pattern::kDots,
                                       tests::Pattern::kDotsStaggered}) {
    CAPTURE(static_cast<int>(pattern));
    tests::ChartScene scene = scene_of(pattern);
    const Image<float> first = tests::render_chart(scene).image;
    const auto still = field_motion(first.view(), whole(first));
    REQUIRE(still.has_value());
    CHECK(still->typical_px < 0.1);
    for (const double motion_px : {0.5, 1.0, -1.0}) {
      CAPTURE(motion_px);
      tests::ChartScene moved = scene;
      moved.pose.middle_px.x() += motion_px;
      moved.seed = 2;
      const Image<float> frame = woven(first, tests::render_chart(moved).image);
      const auto motion = field_motion(frame.view(), whole(frame));
      REQUIRE(motion.has_value());
      CHECK(motion->typical_px == doctest::Approx(std::abs(motion_px)).epsilon(0.25));
      CHECK(motion->typical_px > kInterlacedPx);
    }
    // A large motion is underrated, but seen.
    tests::ChartScene moved = scene;
    moved.pose.middle_px.x() += 6.0;
    const Image<float> frame = woven(first, tests::render_chart(moved).image);
    CHECK(field_motion(frame.view(), whole(frame))->typical_px > kInterlacedPx);
  }
}

TEST_CASE("fine horizontal lines are not taken for fields") {
  // A line grid whose horizontal lines are one and two rows thick and two to four rows apart,
  // straight and turned a little, with few upright ones; sampled without any smoothing, the worst
  // case.
  for (const int period : {2, 3, 4}) {
    for (const double slope : {0.0, 0.02, 0.1}) {
      CAPTURE(period);
      CAPTURE(slope);
      Image<float> image(640, 480, 1);
      for (int y = 0; y < 480; ++y) {
        for (int x = 0; x < 640; ++x) {
          const double across = y + slope * x;
          const double along = x - slope * y;
          const bool is_line = std::fmod(across + 1000.0 * period, period) < 1.0;
          const bool is_upright = std::fmod(along + 64'000.0, 64.0) < 3.0;
          image.at(x, y) = is_line || is_upright ? 0.1F : 0.9F;
        }
      }
      const auto motion = field_motion(image.view(), whole(image));
      if (motion) CHECK(motion->typical_px < kInterlacedPx);
    }
  }
  tests::ChartScene scene = scene_of(tests::Pattern::kLines);
  scene.mark = 0.06;
  scene.pose.square_px = 20.0;
  scene.columns = 20;
  scene.rows = 16;
  scene.blur_px = 0.3;
  for (const double roll_deg : {0.0, 0.5, 3.0}) {
    CAPTURE(roll_deg);
    scene.pose.roll_deg = roll_deg;
    const Image<float> image = tests::render_chart(scene).image;
    const auto motion = field_motion(image.view(), whole(image));
    if (motion) CHECK(motion->typical_px < kInterlacedPx);
  }
}

TEST_CASE("movies woven by the tinterlace filter are told from progressive ones") {
  if (!tests::has_ffmpeg()) return;
  const ScratchFolder scratch;
  const tests::ChartMovie movie(scratch.path());
  const auto motions = [&](const std::string& name, const std::vector<std::string>& arguments) {
    const std::vector<std::string> path{movie.encode(name, arguments)};
    const auto frames = resolve_frames(path);
    REQUIRE(frames.has_value());
    std::vector<double> result;
    FrameStream stream(frames->frames);
    while (const auto item = stream.next()) {
      REQUIRE(item->frame.has_value());
      const auto picture = luma(*item->frame);
      const auto motion = field_motion(picture->pixels.view(), whole(picture->pixels));
      REQUIRE(motion.has_value());
      result.push_back(motion->typical_px);
    }
    return result;
  };
  for (const auto& codec : {std::vector<std::string>{"-c:v", "ffv1"},
                            std::vector<std::string>{"-c:v", "prores_ks"},
                            std::vector<std::string>{"-c:v", "libx264", "-crf", "18"}}) {
    CAPTURE(codec[1]);
    for (const double px : motions(codec[1] + "_p.mov", codec)) CHECK(px < kInterlacedPx);
    std::vector<std::string> woven_arguments{"-vf", "tinterlace=mode=interleave_top"};
    woven_arguments.insert(woven_arguments.end(), codec.begin(), codec.end());
    // 3 px a frame.
    for (const double px : motions(codec[1] + "_i.mov", woven_arguments)) CHECK(px > kInterlacedPx);
  }
  // 24 in 30 with 60 fields (3:2): of each five frames two are woven of two moments.
  std::vector<double> pulled = motions("pulldown.mov", {"-vf", "telecine", "-c:v", "ffv1"});
  int num_woven = 0;
  for (const double px : pulled) num_woven += px > kInterlacedPx ? 1 : 0;
  CHECK(num_woven >= static_cast<int>(pulled.size()) * 2 / 5 - 1);
  CHECK(num_woven <= static_cast<int>(pulled.size()) * 2 / 5 + 1);
}

TEST_CASE("pictures that cannot tell") {
  Image<float> image(100, 100, 1);
  image.fill(0.5F);
  CHECK_FALSE(field_motion(image.view(), whole(image)).has_value());
  image.fill(std::nanf(""));
  CHECK_FALSE(field_motion(image.view(), whole(image)).has_value());
  Image<float> tiny(2, 2, 1);
  tiny.fill(0.0F);
  CHECK_FALSE(field_motion(tiny.view(), whole(tiny)).has_value());
}
