// What LensWarp adds to resample(): plans per size, overscan of renders, and its doubts. The bound
// of a shift is that of the map, tested where the maps are.

#include "warp/io/lens_warp.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <string>

#include "tests/support/test_data.h"
#include "warp/io/sequence.h"
#include "warp/io/st_map_file.h"
#include "warp/resample.h"

using namespace trueplate;
using namespace trueplate::warp;

namespace {

lens::Lens barrel() {
  lens::Lens lens;
  lens.plate_size = {640, 480};
  lens.focal_px = {530.0, 530.0};
  lens.principal_point_px = {330.0, 236.0};
  lens.model = lens::RadialTangential({-0.25, 0.08, 0.0, 0.0, 0.0});
  return lens;
}

footage::Frame grey(const Window& display, const Window& data) {
  footage::Frame frame;
  frame.pixels = Image<float>(data.width, data.height, 1);
  for (int y = 0; y < data.height; ++y) {
    for (int x = 0; x < data.width; ++x) frame.pixels.row(y)[x] = 0.5F;
  }
  frame.windows = {.display = display, .data = data};
  frame.channels = {{"Y", footage::SampleFormat::kHalf}};
  return frame;
}

const Warning* find(const footage::Frame& frame, const std::string& code) {
  const auto found = std::find_if(
      frame.warnings.begin(), frame.warnings.end(), [&](const auto& w) { return w.code == code; });
  return found == frame.warnings.end() ? nullptr : &*found;
}

OverscanRequest request(const char* text) { return *parse_overscan(text); }

constexpr Window kDisplay{.x = 0, .y = 0, .width = 640, .height = 480};

}  // namespace

TEST_CASE("a render without overscan is warned of, with the overscan that it needs") {
  const LensWarp redistort(barrel(), {.direction = MapDirection::kRedistort, .overscan = {}});
  const auto bent = redistort.apply(grey(kDisplay, kDisplay), 1);
  REQUIRE(bent);
  const Warning* warning = find(*bent, "render-too-small");
  REQUIRE(warning != nullptr);
  const auto needed = overscan(barrel(), {}, {.margin_px = kernel_width(Filter::kCubic) / 2});
  REQUIRE(needed);
  const EdgePixels& e = needed->edges;
  CHECK(warning->value == std::max({e.left, e.top, e.right, e.bottom}));

  // With it there is nothing to say, and no pixel is black.
  const auto whole = redistort.apply(grey(kDisplay, data_window(kDisplay, e)), 1);
  REQUIRE(whole);
  CHECK(whole->warnings.empty());
  float least = 1.0F;
  for (int y = 0; y < 480; ++y)
    for (int x = 0; x < 640; ++x) least = std::min(least, whole->pixels.row(y)[x]);
  CHECK(least == doctest::Approx(0.5F).epsilon(1e-5));
}

TEST_CASE("an element cropped to what is not black lacks nothing") {
  const LensWarp redistort(barrel(), {.direction = MapDirection::kRedistort, .overscan = {}});
  const auto bent =
      redistort.apply(grey(kDisplay, {.x = 270, .y = 200, .width = 100, .height = 80}), 1);
  REQUIRE(bent);
  CHECK(find(*bent, "render-too-small") == nullptr);
}

TEST_CASE("overscan in a format without windows: pixels, percent, none") {
  const auto apply = [](const char* text, ImageSize size) {
    const LensWarp redistort(
        barrel(),
        {.direction = MapDirection::kRedistort, .overscan = request(text), .round_to = 2});
    const Window data{.x = 0, .y = 0, .width = size.width, .height = size.height};
    return redistort.apply(grey(data, data), 1);
  };
  // 8 % of 640 and of 480, rounded up to even numbers: 52 and 40 on each side.
  const auto percent = apply("8%", {640 + 104, 480 + 80});
  REQUIRE(percent);
  CHECK(percent->windows.display.size() == ImageSize{640, 480});
  const auto pixels = apply("52,40,52,40", {640 + 104, 480 + 80});
  REQUIRE(pixels);
  CHECK(std::equal(percent->pixels.data(),
                   percent->pixels.data() + percent->pixels.size(),
                   pixels->pixels.data()));
  const auto wrong = apply("8%", {700, 500});
  REQUIRE_FALSE(wrong);
  CHECK(wrong.error().message.find("744x560") != std::string::npos);
  CHECK(apply("none", {640, 480}));
  CHECK_FALSE(apply("none", {700, 480}));
}

TEST_CASE("a plate of another size is scaled to, and said") {
  const LensWarp undistort(barrel(), {.overscan = request("none")});
  const Window half{.x = 0, .y = 0, .width = 320, .height = 240};
  const auto straight = undistort.apply(grey(half, half), 1);
  REQUIRE(straight);
  CHECK(find(*straight, "lens-scaled") != nullptr);
  CHECK_FALSE(
      undistort.apply(grey({.width = 320, .height = 300}, {.width = 320, .height = 300}), 1));
}

TEST_CASE("a sequence of one size makes one map, whatever the threads and frames in flight") {
  const tests::ScratchFolder folder;
  std::vector<SequenceJob> jobs;
  for (int i = 0; i < 8; ++i) {
    const std::string name = "in." + std::to_string(i) + ".exr";
    REQUIRE(write_frame(folder.path() / name, grey(kDisplay, kDisplay)));
    jobs.push_back({{folder.path() / name, i, name}, folder.path() / ("out" + name)});
  }
  const LensWarp undistort(barrel(), {.overscan = request("none")});
  CHECK(undistort.num_maps_made() == 0);
  const auto summary = process_sequence(jobs,
                                        [&](footage::Frame frame, const SequenceJob&, int threads) {
                                          return undistort.in_rows(std::move(frame), threads);
                                        },
                                        {.max_frames_in_flight = 4, .threads = 4});
  REQUIRE(summary);
  CHECK(summary->done.size() == 8);
  CHECK(undistort.num_maps_made() == 1);
  const Window half{.x = 0, .y = 0, .width = 320, .height = 240};
  REQUIRE(undistort.apply(grey(half, half), 1));
  CHECK(undistort.num_maps_made() == 2);
  // Sizes that take turns keep their maps; the one that was used longest ago makes room.
  const Window third{.x = 0, .y = 0, .width = 160, .height = 120};
  const Window fourth{.x = 0, .y = 0, .width = 80, .height = 60};
  for (const Window& window : {kDisplay, third, half, kDisplay, third}) {
    REQUIRE(undistort.apply(grey(window, window), 1));
  }
  CHECK(undistort.num_maps_made() == 3);
  static_assert(LensWarp::kMostSizes == 3);
  for (const Window& window : {fourth, kDisplay, third, half}) {
    REQUIRE(undistort.apply(grey(window, window), 1));
  }
  CHECK(undistort.num_maps_made() == 5);
}

TEST_CASE("from profile to picture without a map file: the bits of the map on file") {
  const tests::ScratchFolder folder;
  for (const MapDirection direction : {MapDirection::kUndistort, MapDirection::kRedistort}) {
    CAPTURE(to_text(direction));
    const auto path = folder.path() / (std::string(to_text(direction)) + ".exr");
    const EdgePixels overscan_px{24, 18, 24, 18};
    const bool undistort = direction == MapDirection::kUndistort;
    const auto made = undistort ? make_undistort_map(barrel(), {.overscan_px = overscan_px})
                                : make_redistort_map(barrel());
    REQUIRE(made);
    REQUIRE(write_st_map(path, *made));
    const auto map = read_st_map(path);
    REQUIRE(map);

    footage::Frame textured = grey(kDisplay, kDisplay);
    for (int y = 0; y < 480; ++y) {
      for (int x = 0; x < 640; ++x)
        textured.pixels.at(x, y) = static_cast<float>((x * 7 + y * 13) % 64);
    }
    const auto by_map = resample({textured.pixels.view(), textured.windows}, map->map);
    REQUIRE(by_map);
    const LensWarp warp(
        barrel(),
        {.direction = direction, .overscan = undistort ? request("24,18,24,18") : request("auto")});
    const auto by_lens = warp.apply(std::move(textured), 2);
    REQUIRE(by_lens);
    REQUIRE(by_lens->pixels.size() == by_map->size());
    CHECK(std::equal(by_map->data(), by_map->data() + by_map->size(), by_lens->pixels.data()));
  }
}

TEST_CASE("a sequence reports the warnings of reading, warping and writing, each once") {
  const tests::ScratchFolder folder;
  const auto in = folder.path() / "in.1.exr";
  REQUIRE(write_frame(in, grey(kDisplay, kDisplay)));
  const LensWarp redistort(barrel(), {.direction = MapDirection::kRedistort, .overscan = {}});
  const SequenceJob job{{in, 1, "in.1.exr"}, folder.path() / "out.1.png"};
  const auto summary = process_sequence(
      std::span(&job, 1), [&](footage::Frame frame, const SequenceJob&, int threads) {
        frame.warnings.push_back({"from-reading", "stands for one", 0.0});
        return redistort.in_rows(std::move(frame), threads);
      });
  REQUIRE(summary);
  REQUIRE(summary->warnings.size() == 1);
  std::vector<std::string> codes;
  for (const Warning& warning : summary->warnings[0].warnings) codes.push_back(warning.code);
  CHECK(std::count(codes.begin(), codes.end(), "from-reading") == 1);
  CHECK(std::count(codes.begin(), codes.end(), "render-too-small") == 1);
  CHECK(std::count(codes.begin(), codes.end(), "sample-format") == 1);
}
