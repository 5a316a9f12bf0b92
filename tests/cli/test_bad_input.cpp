// What a user does wrong, and what happens to the disk: one clear line, the documented exit status,
// nothing half-written.

#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <set>

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

/// Small synthetic footage and a profile, made once for all cases.
struct Workshop {
  ScratchFolder scratch;
  fs::path demo = scratch.path() / "demo";
  std::string footage = (demo / "plover-25" / "chart.####.exr").string();
  std::string profile = (scratch.path() / "lens.json").string();

  Workshop() {
    const ProgramResult made = run_trueplate({"demo", "-o", demo.string(), "--scale", "0.25"});
    INFO(made.errors);
    REQUIRE(made.status == kDone);
    std::vector<std::string> arguments = calibrate(footage);
    arguments.insert(arguments.end(), {"-o", profile});
    const ProgramResult calibrated = run_trueplate(arguments);
    INFO(calibrated.errors);
    REQUIRE(calibrated.status == kDone);
  }

  static std::vector<std::string> calibrate(const std::string& frames) {
    return {"calibrate", frames, "--chart", "checkerboard", "--grid", "14x9", "--pitch", "40mm"};
  }
  fs::path frame(int number) const {
    char name[32];
    std::snprintf(name, sizeof(name), "chart.%04d.exr", number);
    return demo / "plover-25" / name;
  }
};

Workshop& workshop() {
  static Workshop shared;
  return shared;
}

std::string read(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

void write(const fs::path& path, const std::string& content) {
  std::ofstream(path, std::ios::binary) << content;
}

std::set<std::string> files_in(const fs::path& folder) {
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) names.insert(entry.path().filename());
  return names;
}

long lines(const std::string& text) { return std::count(text.begin(), text.end(), '\n'); }

/// The call fails with this status, one line holding each of `words`, and leaves no file in
/// `folder` that was not there.
void check_refused(const std::vector<std::string>& arguments,
                   int status,
                   const std::vector<std::string>& words,
                   const fs::path& folder) {
  const std::set<std::string> before = files_in(folder);
  const ProgramResult result = run_trueplate(arguments);
  CAPTURE(arguments.front());
  CAPTURE(result.errors);
  CHECK(result.status == status);
  CHECK(lines(result.errors) == 1);
  for (const std::string& word : words) {
    CAPTURE(word);
    CHECK(result.errors.find(word) != std::string::npos);
  }
  CHECK(files_in(folder) == before);
}

std::vector<std::string> with(std::vector<std::string> arguments,
                              const std::vector<std::string>& more) {
  arguments.insert(arguments.end(), more.begin(), more.end());
  return arguments;
}

}  // namespace

TEST_CASE("wrong command lines end with status 2") {
  CHECK(run_trueplate({}).status == kUsage);
  CHECK(run_trueplate({"nonsense"}).status == kUsage);
  CHECK(run_trueplate({"calibrate"}).status == kUsage);
  CHECK(run_trueplate({"info", "a.json", "--no-such-option"}).status == kUsage);
  CHECK(run_trueplate({"--help"}).status == kDone);
  CHECK(run_trueplate({"--version"}).output.starts_with("trueplate "));

  const fs::path folder = workshop().scratch.path();
  const std::string out = (folder / "never.json").string();
  const std::string frames = workshop().footage;
  check_refused({"calibrate", frames, "-o", out}, kUsage, {"--chart", "--grid", "--pitch"}, folder);
  check_refused({"calibrate",
                 frames,
                 "--chart",
                 "checkerboard",
                 "--grid",
                 "14x9",
                 "--pitch",
                 "40",
                 "-o",
                 out},
                kUsage,
                {"--pitch", "unit", "40mm"},
                folder);
  check_refused({"calibrate",
                 frames,
                 "--chart",
                 "checkerboard",
                 "--grid",
                 "many",
                 "--pitch",
                 "40mm",
                 "-o",
                 out},
                kUsage,
                {"--grid", "many", "9x6"},
                folder);
  check_refused(with(Workshop::calibrate(frames), {"-o", out, "--film-back", "24.89x14"}),
                kUsage,
                {"--film-back", "24.89x14mm"},
                folder);
  const auto call = with(Workshop::calibrate(frames), {"-o", out});
  check_refused(with(call, {"--model", "wishful"}), kUsage, {"--model", "wishful", "auto"}, folder);
  check_refused(with(call, {"--fix-focal"}), kUsage, {"--fix-focal", "--focal 35mm"}, folder);
  check_refused(with(call, {"--focal", "35mm"}), kUsage, {"--focal", "--film-back"}, folder);
  check_refused(
      with(call, {"--chart-distance", "far"}), kUsage, {"--chart-distance", "far"}, folder);
  check_refused(with(call, {"--chart-distance", "0mm"}), kUsage, {"--chart-distance", "0"}, folder);
  check_refused(with(call, {"--chart-distance-sigma", "20mm"}),
                kUsage,
                {"--chart-distance-sigma", "--chart-distance 2.5m"},
                folder);
  check_refused(with(call,
                     {"--chart-distance",
                      "2.5m",
                      "--film-back",
                      "24.89x14mm",
                      "--focal",
                      "25mm",
                      "--fix-focal"}),
                kUsage,
                {"--chart-distance", "--fix-focal"},
                folder);
  check_refused(with(call, {"--frames", "9-1"}), kUsage, {"9-1"}, folder);
  check_refused(
      {"detect", frames, "--chart", "checkerboard", "--grid", "1x1", "--pitch", "40mm", "-o", out},
      kUsage,
      {"--grid", "1x1"},
      folder);
  check_refused(
      {"detect", frames, "--chart", "checkerboard", "--grid", "9x6", "--pitch", "900km", "-o", out},
      kUsage,
      {"--pitch"},
      folder);
  const std::string& lens = workshop().profile;
  const std::string straight = (folder / "never.####.exr").string();
  check_refused({"undistort", lens, frames, "-o", straight, "--compression", "squash"},
                kUsage,
                {"squash", "zip"},
                folder);
  check_refused({"undistort", lens, frames, "-o", (folder / "never.####.gif").string()},
                kUsage,
                {".gif"},
                folder);
  check_refused({"stmap", lens, "--undistort", (folder / "never.png").string()},
                kUsage,
                {"never.png", ".exr"},
                folder);
  check_refused(
      {"stmap", lens, "--undistort", (folder / "never.exr").string(), "--compression", "dwaa"},
      kUsage,
      {"dwaa", "zip"},
      folder);
  check_refused({"stmap", workshop().profile}, kUsage, {"--undistort", "--redistort"}, folder);
  check_refused(
      {"points", workshop().profile, "in.csv", "-o", out}, kUsage, {"--undistort"}, folder);
}

TEST_CASE("frames that are not there") {
  const fs::path folder = workshop().scratch.path();
  const std::string out = (folder / "never.json").string();
  const fs::path empty = folder / "empty";
  fs::create_directory(empty);
  check_refused(with(Workshop::calibrate(empty.string()), {"-o", out}), kFailed, {"empty"}, folder);
  check_refused(with(Workshop::calibrate((folder / "nothing.####.png").string()), {"-o", out}),
                kFailed,
                {"nothing.####.png"},
                folder);
  check_refused(with(Workshop::calibrate((folder / "absent.png").string()), {"-o", out}),
                kFailed,
                {"absent.png"},
                folder);
}

TEST_CASE("one square-on frame: straightened, its focal length doubted, fine with a fixed one") {
  const fs::path folder = workshop().scratch.path();
  const std::string out = (folder / "one.json").string();
  const auto one = Workshop::calibrate(workshop().frame(1).string());
  const ProgramResult assumed = run_trueplate(with(one, {"-o", out}));
  CAPTURE(assumed.errors);
  CHECK(assumed.status == kDone);
  CHECK(assumed.errors.find("the focal length cannot be told from the distance") !=
        std::string::npos);
  CHECK(assumed.errors.find("give the focal length") != std::string::npos);
  const ProgramResult fixed = run_trueplate(with(
      one,
      {"-o", out, "--overwrite", "--film-back", "24.89x14mm", "--focal", "25mm", "--fix-focal"}));
  CAPTURE(fixed.errors);
  CHECK(fixed.status == kDone);
  CHECK(fixed.errors.find("warning") != std::string::npos);

  // Square-on, focal length and distance are in proportion.
  const auto focal_at = [&](const char* distance) {
    const ProgramResult result = run_trueplate(with(
        one,
        {"-o", out, "--overwrite", "--model", "radial-tangential", "--chart-distance", distance}));
    CAPTURE(result.errors);
    CHECK(result.status == kDone);
    CHECK(result.errors.find("follow from the chart distance given") != std::string::npos);
    CHECK(result.output.find("from the chart distance alone") != std::string::npos);
    const std::string before = "focal length ";
    const std::size_t at = result.output.find(before);
    REQUIRE(at != std::string::npos);
    return std::stod(result.output.substr(at + before.size()));
  };
  CHECK(focal_at("4m") / focal_at("2m") == doctest::Approx(2.0).epsilon(0.01));
}

TEST_CASE("a wrong grid is named, not fitted") {
  const fs::path folder = workshop().scratch.path();
  const std::string out = (folder / "never.json").string();
  for (const char* grid : {"13x9", "14x8", "15x9", "14x10", "9x6"}) {
    CAPTURE(grid);
    const ProgramResult result = run_trueplate({"calibrate",
                                                workshop().footage,
                                                "--chart",
                                                "checkerboard",
                                                "--grid",
                                                grid,
                                                "--pitch",
                                                "40mm",
                                                "-o",
                                                out});
    CAPTURE(result.errors);
    CHECK(result.status == kFailed);
    CHECK(result.errors.find("chart") != std::string::npos);
    CHECK_FALSE(fs::exists(out));
  }
}

TEST_CASE("some frames without chart, damaged or of another size: the rest is fitted, status 3") {
  const fs::path folder = workshop().scratch.path() / "mixed";
  fs::create_directory(folder);
  for (int number = 1; number <= 6; ++number) {
    fs::copy_file(workshop().frame(number), folder / workshop().frame(number).filename());
  }
  const std::string whole = read(workshop().frame(7));
  write(folder / "chart.0007.exr", whole.substr(0, whole.size() / 2));
  write(folder / "chart.0008.exr", "this is no picture");
  write(folder / "chart.0009.exr", "");
  // Blank pictures of the common size and of another one.
  const auto blank = [&](const char* size, const char* name) {
    REQUIRE(
        run_program("oiiotool", {"--create", size, "1", "-o", (folder / name).string()}).status ==
        kDone);
  };
  blank("480x270", "chart.0010.exr");
  blank("320x270", "chart.0011.exr");
  const std::string out = (folder / "lens.json").string();
  const ProgramResult result =
      run_trueplate(with(Workshop::calibrate(folder.string()), {"-o", out}));
  CAPTURE(result.errors);
  CHECK(result.status == kPartly);
  for (const char* name :
       {"chart.0007.exr", "chart.0008.exr", "chart.0009.exr", "chart.0010.exr", "chart.0011.exr"}) {
    CHECK(result.errors.find(name) != std::string::npos);
  }
  CHECK(fs::exists(out));
}

TEST_CASE("charts of another size than most are named and left out of the observations, status 3") {
  const fs::path folder = workshop().scratch.path() / "two-sizes";
  fs::create_directory(folder);
  // The odd one comes first: the size of most counts, not that of the first.
  const std::string odd = (folder / "chart.0001.exr").string();
  REQUIRE(run_program("oiiotool", {workshop().frame(1).string(), "--resize", "640x360", "-o", odd})
              .status == kDone);
  for (int number = 2; number <= 6; ++number) {
    fs::copy_file(workshop().frame(number), folder / workshop().frame(number).filename());
  }
  const std::string csv = (folder / "found.csv").string();
  const std::string json = (folder / "found.json").string();
  const auto check = [&](const ProgramResult& result) {
    CAPTURE(result.errors);
    CHECK(result.status == kPartly);
    CHECK(result.errors.find("chart.0001.exr: is 640x360, most frames are 480x270; left out") !=
          std::string::npos);
    const std::string observations = read(csv);
    CHECK(observations.find("# image: 480x270") != std::string::npos);
    CHECK(observations.find("chart.0001.exr") == std::string::npos);
    CHECK(observations.find("chart.0006.exr") != std::string::npos);
  };
  check(run_trueplate({"detect",
                       folder.string(),
                       "--chart",
                       "checkerboard",
                       "--pitch",
                       "40mm",
                       "-o",
                       csv,
                       "--json",
                       json}));
  CHECK(read(json).find("is 640x360, most frames are 480x270; left out") != std::string::npos);
  const std::string lens = (folder / "lens.json").string();
  check(run_trueplate(with(Workshop::calibrate(folder.string()),
                           {"-o", lens, "--observations", csv, "--overwrite"})));
}

TEST_CASE("a file among the frames that is no picture is named, the rest is done, status 3") {
  const fs::path folder = workshop().scratch.path() / "strangers";
  fs::create_directory(folder);
  write(folder / "notes.txt", "hello");
  const ProgramResult result = run_trueplate({"undistort",
                                              workshop().profile,
                                              workshop().frame(1).string(),
                                              (folder / "notes.txt").string(),
                                              "-o",
                                              (folder / "straight.####.exr").string()});
  CAPTURE(result.errors);
  CHECK(result.status == kPartly);
  CHECK(result.errors.find("notes.txt") != std::string::npos);
  CHECK(fs::exists(folder / "straight.0001.exr"));
}

TEST_CASE("points far outside the plate are moved, and warned of with their distance") {
  const fs::path folder = workshop().scratch.path();
  write(folder / "far.csv", "x,y\n100,100\n-40,100\n");
  const ProgramResult result = run_trueplate({"points",
                                              workshop().profile,
                                              (folder / "far.csv").string(),
                                              "-o",
                                              (folder / "moved.csv").string(),
                                              "--undistort"});
  CAPTURE(result.errors);
  CHECK(result.status == kDone);
  CHECK(result.errors.find("outside the plate, up to 40.0 px") != std::string::npos);
  // The code that docs/troubleshooting.md explains it by ends the line.
  CHECK(result.errors.find(" [points-outside-plate]\n") != std::string::npos);
}

TEST_CASE("profiles that cannot be trusted are refused") {
  const fs::path folder = workshop().scratch.path();
  const std::string good = read(workshop().profile);
  const auto refuse = [&](const char* name, const std::string& text, const char* word) {
    const fs::path path = folder / name;
    write(path, text);
    check_refused({"info", path.string()}, kFailed, {name, word}, folder);
    const std::string map = (folder / "never.exr").string();
    check_refused({"stmap", path.string(), "--undistort", map}, kFailed, {name, word}, folder);
  };
  std::string future = good;
  const std::string key = "\"format_version\": ";
  const std::size_t at = future.find(key);
  REQUIRE(at != std::string::npos);
  future.replace(at + key.size(), 1, "99");
  refuse("future.json", future, "99");
  refuse("cut.json", good.substr(0, good.size() / 2), "not JSON");
  refuse("empty.json", "", "empty");
  check_refused({"info", (folder / "absent.json").string()}, kFailed, {"absent.json"}, folder);
}

TEST_CASE("a picture or size of another shape is refused") {
  const fs::path folder = workshop().scratch.path();
  const std::string out = (folder / "never.exr").string();
  check_refused({"stmap", workshop().profile, "--undistort", out, "--size", "1000x1000"},
                kUsage,
                {"1000x1000", "shape"},
                folder);
  const fs::path portrait = folder / "portrait.png";
  REQUIRE(run_program("oiiotool", {"--create", "100x300", "3", "-o", portrait.string()}).status ==
          0);
  check_refused({"undistort", workshop().profile, portrait.string(), "-o", out},
                kFailed,
                {"portrait.png", "100x300"},
                folder);
}

TEST_CASE("outputs that exist are kept unless --overwrite is given") {
  const fs::path folder = workshop().scratch.path();
  const fs::path out = folder / "precious.exr";
  write(out, "precious");
  const std::vector<std::string> call{"stmap", workshop().profile, "--undistort", out.string()};
  check_refused(call, kFailed, {"precious.exr", "--overwrite"}, folder);
  CHECK(read(out) == "precious");
  const ProgramResult replaced = run_trueplate(with(call, {"--overwrite"}));
  CAPTURE(replaced.errors);
  CHECK(replaced.status == kDone);
  CHECK(read(out) != "precious");

  const fs::path frame = folder / "treasure.png";
  write(frame, "precious");
  check_refused(
      {"undistort", workshop().profile, workshop().frame(1).string(), "-o", frame.string()},
      kFailed,
      {"treasure.png", "--overwrite"},
      folder);
  CHECK(read(frame) == "precious");
}

TEST_CASE("a full disk: the reason is said and nothing is left behind") {
  // A limit on the size of files stands in for the full disk: writing fails in the same way.
  if (run_program("prlimit", {"--version"}).status != 0) {
    MESSAGE("skipped: no prlimit to limit the size of files with");
    return;
  }
  const fs::path folder = workshop().scratch.path() / "full";
  fs::create_directory(folder);
  const auto limited = [&](std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), {"--fsize=2000", trueplate::tests::trueplate_program()});
    const ProgramResult result = run_program("prlimit", arguments);
    CAPTURE(result.errors);
    CHECK(result.status == kFailed);
    CHECK(result.errors.find(folder.string()) != std::string::npos);
    CHECK(files_in(folder).empty());
  };
  limited({"stmap", workshop().profile, "--undistort", (folder / "u.exr").string()});
  for (const char* name : {"u.png", "u.exr", "u.tif", "u.jpg", "u.dpx"}) {
    CAPTURE(name);
    limited({"undistort",
             workshop().profile,
             workshop().frame(1).string(),
             "-o",
             (folder / name).string()});
  }
  limited(with(Workshop::calibrate(workshop().footage), {"-o", (folder / "lens.json").string()}));
}

TEST_CASE("an unwritable or absent folder is named before any work is done") {
  const fs::path folder = workshop().scratch.path();
  const std::string out = (folder / "no-such-folder" / "lens.json").string();
  check_refused(with(Workshop::calibrate(workshop().footage), {"-o", out}),
                kFailed,
                {"no-such-folder"},
                folder);
  // A page, too, and where the folder does not say so: the name is longer than a file system takes.
  const std::string profile = (folder / "with-page.json").string();
  for (const std::string& page : {(folder / "no-such-folder" / "lens.html").string(),
                                  (folder / std::string(300, 'a').append(".html")).string()}) {
    check_refused(with(Workshop::calibrate(workshop().footage), {"-o", profile, "--report", page}),
                  kFailed,
                  {page},
                  folder);
  }
}
