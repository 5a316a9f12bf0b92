// One overscan, four commands: handoff, stmap, undistort and redistort mean the same pixels by the
// same words, for EXR with its windows and for formats without.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "calib/lens/lens.h"
#include "tests/cli/lens_files.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::read_json;
using tests::run_well;
using tests::window_of;

constexpr ImageSize kPlate{320, 180};

lens::Lens barrel() {
  lens::Lens lens = tests::make_lens(kPlate, {310.0, 310.5}, {4.3, -2.6});
  lens.model = lens::RadialTangential({-0.2, 0.05, -0.005, 0.001, -0.0007});
  return lens;
}

/// x from the display window's left edge, at the centres of pixels, as a share of 400 px: an
/// integer format can hold it.
footage::Frame ramp(const FrameWindows& windows) {
  Image<float> pixels(windows.data.width, windows.data.height, 1);
  for (int y = 0; y < pixels.height(); ++y) {
    for (int x = 0; x < pixels.width(); ++x) {
      pixels.at(x, y) =
          static_cast<float>(x + windows.data.x - windows.display.x + 0.5 + 40.0) / 400.0F;
    }
  }
  return tests::frame_of(std::move(pixels), windows);
}

footage::Frame read(const fs::path& path) {
  auto frame = footage::read_frame(path);
  REQUIRE_MESSAGE(frame.has_value(), (frame ? "" : frame.error().message));
  return *std::move(frame);
}

/// A lens and a plate in a folder of their own.
struct Shot {
  tests::ScratchFolder scratch;
  fs::path folder = scratch.path();
  std::string lens = (folder / "lens.json").string();
  std::string plate = (folder / "plate.exr").string();
  Window display{.width = kPlate.width, .height = kPlate.height};

  Shot() {
    tests::write_lens(lens, barrel());
    tests::write_frame(plate, ramp({display, display}));
  }
};

}  // namespace

TEST_CASE("the same words give the same window everywhere, and the way back without windows") {
  const Shot shot;
  const fs::path& folder = shot.folder;
  const std::string& lens = shot.lens;
  const std::string& plate = shot.plate;
  const std::vector<std::vector<std::string>> words{
      {"--overscan", "auto"},
      {"--overscan", "auto", "--round", "1", "--filter", "bilinear"},
      {"--overscan", "auto", "--round", "16", "--filter", "lanczos"},
      {"--overscan", "7.3%", "--round", "1"},
      {"--overscan", "7.3%", "--round", "8"},
      {"--overscan", "21,13,8,30"},
      {"--overscan", "none"}};
  for (const std::vector<std::string>& options : words) {
    CAPTURE(fmt::format("{}", fmt::join(options, " ")));
    const auto with = [&](std::vector<std::string> arguments) {
      arguments.insert(arguments.end(), options.begin(), options.end());
      arguments.insert(arguments.end(), {"--overwrite", "--quiet"});
      return arguments;
    };
    run_well(with({"handoff", lens, "--json", (folder / "h.json").string()}));
    run_well(with({"stmap", lens, "--undistort", (folder / "u.exr").string()}));
    for (const char* name : {"s.exr", "s.tif"}) {
      run_well(with({"undistort", lens, plate, "-o", (folder / name).string()}));
    }
    const auto render = read_json(folder / "h.json").at("render");
    const Window data = window_of(render.at("data_window"));
    CHECK(read_json(folder / "u.handoff.json").at("render") == render);
    CHECK(read_json(folder / "s.handoff.json").at("render") == render);
    CHECK(read(folder / "u.exr").windows == FrameWindows{shot.display, data});
    const footage::Frame straight = read(folder / "s.exr");
    CHECK(straight.windows == FrameWindows{shot.display, data});
    const footage::Frame whole = read(folder / "s.tif");
    CHECK(whole.windows.data.size() == data.size());
    CHECK(std::equal(
        whole.pixels.data(), whole.pixels.data() + whole.pixels.size(), straight.pixels.data()));

    // Back: from the EXR by its windows, from the TIFF by the same words, but for auto by pixels.
    const auto edges = render.at("overscan_px");
    const std::string pixels = fmt::format("{},{},{},{}",
                                           edges.at("left").get<int>(),
                                           edges.at("top").get<int>(),
                                           edges.at("right").get<int>(),
                                           edges.at("bottom").get<int>());
    std::vector<std::string> stated = options;
    if (stated[1] == "auto") stated[1] = pixels;
    run_well({"redistort",
              lens,
              (folder / "s.exr").string(),
              "-o",
              (folder / "b.exr").string(),
              "--overwrite",
              "--quiet"});
    std::vector<std::string> back{"redistort",
                                  lens,
                                  (folder / "s.tif").string(),
                                  "-o",
                                  (folder / "b.tif").string(),
                                  "--overwrite",
                                  "--quiet"};
    back.insert(back.end(), stated.begin(), stated.end());
    run_well(back);
    const footage::Frame from_exr = read(folder / "b.exr");
    const footage::Frame from_tif = read(folder / "b.tif");
    CHECK(from_exr.windows == FrameWindows{shot.display, shot.display});
    CHECK(from_tif.windows.data == shot.display);
    if (options.back() == "auto") {  // with the same filter
      CHECK(std::equal(from_tif.pixels.data(),
                       from_tif.pixels.data() + from_tif.pixels.size(),
                       from_exr.pixels.data()));
      // The whole plate is kept. At its very edge black was blended in when it was straightened.
      double worst_px = 0.0;
      for (int y = 3; y < kPlate.height - 3; ++y) {
        for (const int x : {3, 4, 160, 315, 316}) {
          worst_px =
              std::max(worst_px, std::abs(from_exr.pixels.at(x, y) * 400.0 - 40.0 - (x + 0.5)));
        }
      }
      CHECK(worst_px < 0.01);
    }
    // Found without saying so, the larger picture is refused with the words that help.
    if (data != shot.display) {
      const auto refused = tests::run_trueplate(
          {"redistort", lens, (folder / "s.tif").string(), "-o", (folder / "never.tif").string()});
      CHECK(refused.status == 1);
      CHECK(refused.errors.find("--overscan L,T,R,B") != std::string::npos);
      CHECK_FALSE(fs::exists(folder / "never.tif"));
      if (options.back() == "auto") CHECK(refused.errors.find(pixels) != std::string::npos);
    }
  }
}

TEST_CASE("--round beside an overscan that is not rounded is named as unused, by every command") {
  const Shot shot;
  const fs::path& folder = shot.folder;
  const std::string& lens = shot.lens;
  const std::string& plate = shot.plate;
  std::ofstream(folder / "points.csv") << "x,y\n10,20\n";
  const std::vector<std::vector<std::string>> commands{
      {"handoff", lens},
      {"stmap", lens, "--undistort", (folder / "u.exr").string()},
      {"undistort", lens, plate, "-o", (folder / "s.exr").string()},
      {"redistort", lens, plate, "-o", (folder / "b.exr").string()},
      {"points",
       lens,
       (folder / "points.csv").string(),
       "--undistort",
       "-o",
       (folder / "moved.csv").string()}};
  for (const std::vector<std::string>& command : commands) {
    CAPTURE(command.front());
    for (const auto& [overscan, is_unused] :
         {std::pair{"none", true}, {"4,4,4,4", true}, {"10%", false}}) {
      CAPTURE(overscan);
      std::vector<std::string> arguments = command;
      const std::string json = (folder / "told.json").string();
      arguments.insert(arguments.end(),
                       {"--overscan", overscan, "--round", "8", "--overwrite", "--json", json});
      const std::string told = tests::run_trueplate(arguments).errors;
      CHECK((told.find("--round: --overscan") != std::string::npos) == is_unused);
      if (command.front() == "points") continue;
      CHECK((read_json(json).dump().find("unused-option") != std::string::npos) == is_unused);
    }
  }
}

TEST_CASE("undistort says what size it made, with which overscan") {
  const tests::ScratchFolder scratch;
  const fs::path folder = scratch.path();
  tests::write_lens(folder / "lens.json", barrel());
  const Window display{.x = 7, .y = -3, .width = kPlate.width, .height = kPlate.height};
  tests::write_frame(folder / "plate.exr", ramp({display, display}));
  for (const char* name : {"s.exr", "s.tif"}) {
    const auto told = run_well({"undistort",
                                (folder / "lens.json").string(),
                                (folder / "plate.exr").string(),
                                "-o",
                                (folder / name).string(),
                                "--overscan",
                                "21,13,8,31",
                                "--handoff",
                                "none"});
    CHECK(told.output.find("straight: 349x224 around a 320x180 display window (overscan "
                           "21,13,8,31)\n") != std::string::npos);
    CHECK(read(folder / name).windows.data.size() == ImageSize{349, 224});
  }
}

TEST_CASE("data windows of any place and size, beyond the display window or within") {
  const tests::ScratchFolder scratch;
  const fs::path folder = scratch.path();
  const lens::Lens lens = barrel();
  const std::string profile = (folder / "lens.json").string();
  tests::write_lens(profile, lens);
  for (const Window& display : {Window{0, 0, 320, 180}, Window{-50, 1001, 320, 180}}) {
    for (const Window& reach : {Window{-20, -12, 360, 200},    // all round
                                Window{30, 20, 200, 100},      // within
                                Window{-25, 40, 120, 170}}) {  // across a corner
      const FrameWindows windows{
          display, {display.x + reach.x, display.y + reach.y, reach.width, reach.height}};
      CAPTURE(windows.data.x);
      CAPTURE(windows.data.y);
      tests::write_frame(folder / "in.exr", ramp(windows));
      for (const bool undistort : {true, false}) {
        CAPTURE(undistort);
        std::vector<std::string> call{undistort ? "undistort" : "redistort",
                                      profile,
                                      (folder / "in.exr").string(),
                                      "-o",
                                      (folder / "out.exr").string(),
                                      "--quiet"};
        if (undistort) call.insert(call.end(), {"--overscan", "24,16,28,18", "--handoff", "none"});
        run_well(call);
        const footage::Frame out = read(folder / "out.exr");
        fs::remove(folder / "out.exr");
        CHECK(out.windows.display == display);
        CHECK(out.windows.data ==
              (undistort ? Window{display.x - 24, display.y - 16, 372, 214} : display));
        double worst_px = 0.0;
        long inside = 0;
        long not_black = 0;
        for (int y = 0; y < out.pixels.height(); ++y) {
          for (int x = 0; x < out.pixels.width(); ++x) {
            const Point2d p(x + out.windows.data.x - display.x + 0.5,
                            y + out.windows.data.y - display.y + 0.5);
            const auto from = undistort ? lens::distort_px(lens, p) : lens::undistort_px(lens, p);
            if (!from) continue;  // counts as too few inside
            const double left = from->x() - reach.x;
            const double top = from->y() - reach.y;
            const double nearest = std::min({left, top, reach.width - left, reach.height - top});
            if (nearest > 2.5) {
              worst_px =
                  std::max(worst_px, std::abs(out.pixels.at(x, y) * 400.0 - 40.0 - from->x()));
              ++inside;
            } else if (nearest < -2.5 && out.pixels.at(x, y) != 0.0F) {
              ++not_black;
            }
          }
        }
        CHECK(inside > 5000);
        CHECK(worst_px < 2e-3);
        CHECK(not_black == 0);
      }
      fs::remove(folder / "in.exr");
    }
  }
}
