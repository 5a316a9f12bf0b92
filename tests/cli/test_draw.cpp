// Pictures of what was found: one a frame, named like it, and refused before any work is done where
// they could not be written.

#include <doctest/doctest.h>

#include <filesystem>
#include <set>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using trueplate::tests::ProgramResult;
using trueplate::tests::run_program;
using trueplate::tests::run_trueplate;
using trueplate::tests::ScratchFolder;

constexpr int kDone = 0;
constexpr int kFailed = 1;
constexpr int kUsage = 2;
constexpr int kPartly = 3;

/// Charts as a screen shows them, one of them a flat grey without any.
struct Frames {
  ScratchFolder scratch;
  fs::path folder = scratch.path() / "in";

  Frames() {
    fs::create_directory(folder);
    const ProgramResult drawn = run_trueplate({"chart",
                                               "--kind",
                                               "checkerboard",
                                               "--pitch",
                                               "40px",
                                               "--screen",
                                               "800x600",
                                               "--pixel-pitch",
                                               "2mm",
                                               "-o",
                                               (folder / "grid.0001.png").string(),
                                               "--description",
                                               (scratch.path() / "chart.json").string()});
    INFO(drawn.errors);
    REQUIRE(drawn.status == kDone);
    fs::copy_file(folder / "grid.0001.png", folder / "grid.0002.png");
    REQUIRE(run_program("oiiotool",
                        {"--create", "800x600", "3", "-o", (folder / "grid.0003.png").string()})
                .status == kDone);
  }
  [[nodiscard]] std::string operator/(const std::string& name) const {
    return (scratch.path() / name).string();
  }
  [[nodiscard]] ProgramResult detect(const std::vector<std::string>& inputs,
                                     const std::string& output,
                                     const std::vector<std::string>& more) const {
    std::vector<std::string> arguments{"detect"};
    arguments.insert(arguments.end(), inputs.begin(), inputs.end());
    arguments.insert(arguments.end(), {"--chart", *this / "chart.json", "-o", *this / output});
    arguments.insert(arguments.end(), more.begin(), more.end());
    return run_trueplate(arguments);
  }
};

const Frames& frames() {
  static const Frames shared;
  return shared;
}

std::set<std::string> files_in(const fs::path& folder) {
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) names.insert(entry.path().filename());
  return names;
}

bool mentions(const ProgramResult& result, const std::string& words) {
  return result.errors.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("each frame has its picture, also the one without a chart") {
  const std::string folder = frames() / "new/pictures";
  const ProgramResult result = frames().detect({frames() / "in"}, "named.csv", {"--draw", folder});
  CAPTURE(result.errors);
  CHECK(result.status == kPartly);
  CHECK(files_in(folder) ==
        std::set<std::string>{"grid.0001.png", "grid.0002.png", "grid.0003.png"});
  for (const std::string& name : files_in(folder)) {
    const auto picture = trueplate::footage::read_frame(fs::path(folder) / name);
    REQUIRE(picture.has_value());
    CHECK(picture->pixels.width() == 1600);  // 800 pixels, enlarged twice
    CHECK(picture->pixels.height() > 1200);  // and the caption
  }
  // Two frames alike differ in the caption's name only; a frame without a chart has other marks.
  const auto first = trueplate::footage::read_frame(fs::path(folder) / "grid.0001.png");
  const auto second = trueplate::footage::read_frame(fs::path(folder) / "grid.0002.png");
  bool is_same = true;
  for (int y = 0; y < 1200; ++y) {
    for (int x = 0; x < 3 * 1600; ++x) {
      is_same = is_same && first->pixels.row(y)[x] == second->pixels.row(y)[x];
    }
  }
  CHECK(is_same);

  const ProgramResult again = frames().detect({frames() / "in"}, "again.csv", {"--draw", folder});
  CHECK(again.status == kFailed);
  CHECK(mentions(again, "grid.0001.png"));
  CHECK(mentions(again, "--overwrite"));
  CHECK_FALSE(fs::exists(frames() / "again.csv"));
  CHECK(frames().detect({frames() / "in"}, "again.csv", {"--draw", folder, "--overwrite"}).status ==
        kPartly);
}

TEST_CASE("frames that share a file name keep their folder; two pictures of one name are refused") {
  const fs::path a = frames() / "a";
  const fs::path b = frames() / "b";
  fs::create_directory(a);
  fs::create_directory(b);
  fs::copy_file(frames() / "in/grid.0001.png", a / "grid.png");
  fs::copy_file(frames() / "in/grid.0001.png", b / "grid.png");
  const std::string folder = frames() / "apart";
  const ProgramResult apart = frames().detect(
      {(a / "grid.png").string(), (b / "grid.png").string()}, "apart.csv", {"--draw", folder});
  CAPTURE(apart.errors);
  CHECK(apart.status == kDone);
  CHECK(files_in(folder).size() == 2);

  REQUIRE(run_program("oiiotool", {(a / "grid.png").string(), "-o", (a / "grid.tif").string()})
              .status == kDone);
  const ProgramResult clash =
      frames().detect({(a / "grid.png").string(), (a / "grid.tif").string()},
                      "clash.csv",
                      {"--draw", frames() / "clash"});
  CHECK(clash.status == kFailed);
  CHECK(mentions(clash, "grid.png"));
  CHECK(mentions(clash, "grid.tif"));
  CHECK_FALSE(fs::exists(frames() / "clash"));
  CHECK_FALSE(fs::exists(frames() / "clash.csv"));
}

TEST_CASE("a folder that cannot be written to, or holds the frames, is refused before any work") {
  const ProgramResult file =
      frames().detect({frames() / "in"}, "never.csv", {"--draw", frames() / "chart.json"});
  CHECK(file.status == kFailed);
  CHECK(mentions(file, "chart.json"));
  const ProgramResult inputs =
      frames().detect({frames() / "in"}, "never.csv", {"--draw", frames() / "in", "--overwrite"});
  CHECK(inputs.status == kFailed);
  CHECK(mentions(inputs, "input"));
  const ProgramResult nowhere =
      frames().detect({frames() / "in"}, "never.csv", {"--draw", "/proc/pictures"});
  CHECK(nowhere.status == kFailed);
  CHECK(mentions(nowhere, "/proc/pictures"));
  CHECK_FALSE(fs::exists(frames() / "never.csv"));
}

TEST_CASE("a full disk: each picture lost is told, the observations are written, status 3") {
  // A limit on the size of files stands in for the full disk.
  if (run_program("prlimit", {"--version"}).status != 0) {
    MESSAGE("skipped: no prlimit to limit the size of files with");
    return;
  }
  const std::string folder = frames() / "full";
  const std::string input = frames() / "in/grid.0001.png";
  const ProgramResult result = run_program("prlimit",
                                           {"--fsize=20000",
                                            trueplate::tests::trueplate_program(),
                                            "detect",
                                            input,
                                            "--chart",
                                            frames() / "chart.json",
                                            "--draw",
                                            folder,
                                            "-o",
                                            frames() / "full.csv"});
  CAPTURE(result.errors);
  CHECK(result.status == kPartly);
  CHECK(mentions(result, "grid.0001.png"));
  CHECK(files_in(folder).empty());
  CHECK(fs::exists(frames() / "full.csv"));
}

TEST_CASE("calibrate draws frames, and says that observations have none") {
  const ProgramResult drawn = run_trueplate({"calibrate",
                                             frames() / "in/grid.0001.png",
                                             "--chart",
                                             frames() / "chart.json",
                                             "--draw",
                                             frames() / "flat",
                                             "-o",
                                             frames() / "flat.json"});
  CHECK(drawn.status == kDone);
  CHECK(files_in(frames() / "flat") == std::set<std::string>{"grid.0001.png"});
  REQUIRE(frames().detect({frames() / "in/grid.0001.png"}, "seen.csv", {}).status == kDone);
  const ProgramResult observations = run_trueplate({"calibrate",
                                                    frames() / "seen.csv",
                                                    "--draw",
                                                    frames() / "none",
                                                    "-o",
                                                    frames() / "never.json"});
  CHECK(observations.status == kUsage);
  CHECK(mentions(observations, "--draw"));
  CHECK_FALSE(fs::exists(frames() / "none"));
}
