// What calibrate does with a wish to stop and with what the user says and the frames contradict.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <chrono>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <thread>

#include "tests/calib/fit/synthetic.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

using namespace trueplate;
namespace fs = std::filesystem;
using tests::ProgramResult;

namespace {

constexpr int kDone = 0;
constexpr int kFailed = 1;
constexpr int kInterrupted = 130;

/// The film back with which tests::synthetic_lens() has 35 mm along x and y.
std::string film_back() {
  const lens::Lens lens = tests::synthetic_lens();
  return fmt::format("{:.6f}x{:.6f}mm",
                     35.0 * lens.plate_size.width / lens.focal_px.x(),
                     35.0 * lens.plate_size.height / lens.focal_px.y());
}

struct Observations {
  tests::ScratchFolder scratch;
  std::string file = (scratch.path() / "corners.csv").string();
  std::string profile = (scratch.path() / "lens.json").string();

  explicit Observations(const tests::SyntheticOptions& options,
                        double mm_per_unit = 1.0,
                        const std::string& frame_prefix = "") {
    std::ofstream out(file);
    out << "# image: 1920x1080\nframe,chart_x_mm,chart_y_mm,x,y\n";
    for (const target::View& view :
         tests::synthetic_views(tests::synthetic_lens(), options).views) {
      for (const target::Corner& corner : view.corners) {
        out << fmt::format("{}{},{},{},{:.4f},{:.4f}\n",
                           frame_prefix,
                           view.frame,
                           corner.p_chart_mm.x() / mm_per_unit,
                           corner.p_chart_mm.y() / mm_per_unit,
                           corner.p_plate_px.x(),
                           corner.p_plate_px.y());
      }
    }
  }

  [[nodiscard]] std::vector<std::string> calibrate(const std::vector<std::string>& more) const {
    std::vector<std::string> arguments = {"calibrate", file, "-o", profile};
    arguments.insert(arguments.end(), more.begin(), more.end());
    return arguments;
  }
  [[nodiscard]] long num_files() const {
    return std::distance(fs::directory_iterator(scratch.path()), fs::directory_iterator());
  }
};

bool says(const ProgramResult& result, const std::string& words) {
  return result.errors.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("a long fit ends when asked to, and leaves nothing") {
  // Minutes of work.
  const Observations corners({.num_views = 40, .columns = 80, .rows = 50, .pitch_mm = 3.0});
  for (const int signal : {SIGTERM, SIGINT}) {
    CAPTURE(signal);
    tests::RunningProgram program(tests::trueplate_program(), corners.calibrate({}));
    // Long enough for the program to have begun; how far it got does not matter.
    std::this_thread::sleep_for(std::chrono::seconds(1));
    program.send(signal);
    const ProgramResult result = program.wait();
    CAPTURE(result.errors);
    CHECK(result.status == kInterrupted);
    CHECK(result.errors == "trueplate calibrate: interrupted\n");
    CHECK(result.output.empty());
    CHECK(corners.num_files() == 1);
  }
}

TEST_CASE("a focal length kept is held against the frames") {
  const Observations corners({.num_views = 12});
  const auto calibrate = [&](const std::string& focal) {
    return tests::run_trueplate(corners.calibrate({"--model",
                                                   "radial-tangential",
                                                   "--focal",
                                                   focal,
                                                   "--film-back",
                                                   film_back(),
                                                   "--fix-focal",
                                                   "--overwrite"}));
  };
  const ProgramResult right = calibrate("35mm");
  CAPTURE(right.errors);
  CHECK(right.status == kDone);
  CHECK_FALSE(says(right, "contradicts the frames"));

  const ProgramResult off = calibrate("37mm");
  CAPTURE(off.errors);
  CHECK(off.status == kDone);
  CHECK(says(off, "the focal length given, 37 mm, contradicts the frames: the frames say 3"));
  CHECK(says(off, "standard deviations away"));

  // Far off: met badly, or not at all; the frames' own focal length is named either way.
  const ProgramResult wrong = calibrate("90mm");
  CAPTURE(wrong.errors);
  CHECK((wrong.status == kDone || wrong.status == kFailed));
  CHECK(says(wrong, "the frames say 3"));
}

TEST_CASE("sizes that do not go together are told") {
  const Observations corners({.num_views = 12});
  const ProgramResult aspect = tests::run_trueplate(
      corners.calibrate({"--model", "radial-tangential", "--film-back", "24.89x18.66mm"}));
  CAPTURE(aspect.errors);
  CHECK(aspect.status == kDone);
  CHECK(says(aspect, "is 1.334 times as wide as high"));
  CHECK(says(aspect, "1.778 times"));

  const Observations metres({.num_views = 12}, 1000.0);
  const ProgramResult unit =
      tests::run_trueplate(metres.calibrate({"--model", "radial-tangential"}));
  CAPTURE(unit.errors);
  CHECK(unit.status == kDone);
  CHECK(says(unit, "positions on the chart are in mm"));
}

TEST_CASE("names in files do not drive the terminal") {
  const Observations corners({.num_views = 12}, 1.0, "\033[2J\033]0;x\007");
  const ProgramResult result =
      tests::run_trueplate(corners.calibrate({"--model", "radial-tangential"}));
  CAPTURE(result.errors);
  CHECK(result.status == kDone);
  CHECK(result.output.find('\033') == std::string::npos);
  CHECK(result.errors.find('\033') == std::string::npos);
  CHECK(result.output.find("[2J") != std::string::npos);
}

TEST_CASE("a shape that was asked for and is not there is called not significant") {
  const Observations corners({.num_views = 12});
  const ProgramResult result = tests::run_trueplate(
      corners.calibrate({"--model", "radial-tangential", "--chart-shape", "stretched"}));
  CAPTURE(result.output);
  CHECK(result.status == kDone);
  CHECK(result.output.find("not significant)") != std::string::npos);
}
