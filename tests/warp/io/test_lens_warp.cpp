// What LensWarp adds to resample(): plans per size, overscan of renders, and its doubts. The bound
// of a shift is that of the map, tested where the maps are.

#include "warp/io/lens_warp.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <string>
#include <utility>

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

TEST_CASE("pictures without windows: the overscan advised is the one they were straightened with") {
  // What straightening makes is the truth; the advice comes from the size alone.
  for (const Filter filter : {Filter::kBilinear, Filter::kCubic, Filter::kLanczos}) {
    for (const int round_to : {1, 2, 16}) {
      const LensWarp undistort(
          barrel(), {.overscan = {}, .round_to = round_to, .passes = {.filter = filter}});
      const auto straight = undistort.straight_picture({640, 480});
      REQUIRE(straight);
      const EdgePixels& e = straight->overscan_px;
      const ImageSize size = data_window(kDisplay, e).size();
      CAPTURE(size.width);
      const Window whole{.width = size.width, .height = size.height};
      const auto message = [&](const char* stated) {
        const LensWarp redistort(
            barrel(),
            {.direction = MapDirection::kRedistort, .overscan = request(stated), .round_to = 2});
        const auto bent = redistort.apply(grey(whole, whole), 1);
        return bent ? std::string() : bent.error().message;
      };
      const std::string numbers = fmt::format("{},{},{},{}", e.left, e.top, e.right, e.bottom);
      CHECK(message("auto").find("--overscan L,T,R,B: --overscan " + numbers) != std::string::npos);
      CHECK(message(numbers.c_str()).empty());
      // Two pixels off: refused, with the right ones.
      const std::string off = fmt::format("{},{},{},{}", e.left - 2, e.top, e.right, e.bottom);
      CHECK(message(off.c_str())
                .find("leaves a plate of 642x480, wanted 640x480: --overscan " + numbers) !=
            std::string::npos);
    }
  }
  // No options make this size: what the numbers have to add up to.
  const Window odd{.width = 777, .height = 555};
  const LensWarp redistort(
      barrel(), {.direction = MapDirection::kRedistort, .overscan = request("60,40,60,40")});
  const auto refused = redistort.apply(grey(odd, odd), 1);
  REQUIRE_FALSE(refused);
  CHECK(refused.error().message.find("left and right have to add up to 137 px, top and bottom to "
                                     "75") != std::string::npos);
}

TEST_CASE("stated overscan of the right size but in another place is told") {
  const LensWarp undistort(barrel(), {.overscan = {}, .round_to = 2});
  const auto straight = undistort.straight_picture({640, 480});
  REQUIRE(straight);
  const EdgePixels& e = straight->overscan_px;
  const Window data = data_window(kDisplay, e);
  const Window whole{.width = data.width, .height = data.height};
  const auto bend = [&](const Window& display, const Window& pixels) {
    const OverscanRequest stated{
        .kind = OverscanRequest::Kind::kPixels,
        .pixels = {.left = e.left - 2, .top = e.top, .right = e.right + 2, .bottom = e.bottom}};
    const LensWarp redistort(
        barrel(), {.direction = MapDirection::kRedistort, .overscan = stated, .round_to = 2});
    const auto bent = redistort.apply(grey(display, pixels), 1);
    REQUIRE(bent);
    const Warning* warning = find(*bent, "overscan-differs");
    return warning == nullptr ? 0.0 : warning->value;
  };
  CHECK(bend(whole, whole) == 2.0);    // straightening gives another
  CHECK(bend(kDisplay, data) == 2.0);  // the file's windows say another
}

TEST_CASE("a larger picture of the plate's shape: resized, or with overscan?") {
  // 5 % on each side: 704x528 has the shape of 640x480.
  const Window whole{.width = 704, .height = 528};
  const auto bend = [&](const char* stated) {
    const LensWarp redistort(barrel(),
                             {.direction = MapDirection::kRedistort, .overscan = request(stated)});
    auto bent = redistort.apply(grey(whole, whole), 1);
    REQUIRE(bent);
    return *std::move(bent);
  };
  const footage::Frame guessed = bend("auto");
  const Warning* warning = find(guessed, "overscan-or-resized");
  REQUIRE(warning != nullptr);
  CHECK(warning->value == doctest::Approx(1.1));
  CHECK(warning->message.find("--overscan 32,24,32,24") != std::string::npos);
  CHECK(guessed.windows.display.size() == ImageSize{704, 528});
  const footage::Frame stated = bend("32,24,32,24");
  CHECK(find(stated, "overscan-or-resized") == nullptr);
  CHECK(stated.windows.display.size() == ImageSize{640, 480});
  const footage::Frame resized = bend("none");
  CHECK(find(resized, "overscan-or-resized") == nullptr);
  CHECK(find(resized, "lens-scaled") != nullptr);
  CHECK(resized.windows.display.size() == ImageSize{704, 528});
}

TEST_CASE("the overscan that a small render is told is that of the hand-off") {
  const LensWarp redistort(barrel(),
                           {.direction = MapDirection::kRedistort, .overscan = {}, .round_to = 2});
  const auto bent = redistort.apply(grey(kDisplay, kDisplay), 1);
  REQUIRE(bent);
  const Warning* warning = find(*bent, "render-too-small");
  REQUIRE(warning != nullptr);
  const auto advised =
      overscan(barrel(), {}, {.round_to = 2, .margin_px = kernel_width(Filter::kCubic) / 2});
  REQUIRE(advised);
  const EdgePixels& e = advised->edges;
  CHECK(warning->message.find(fmt::format(
            "overscan of {},{},{},{}", e.left, e.top, e.right, e.bottom)) != std::string::npos);
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
