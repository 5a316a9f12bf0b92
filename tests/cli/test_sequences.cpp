// Sequences under what happens to them on a farm: killed in the middle, a full disk, two processes
// on one range, frames that are missing. Nothing half finished may have a final name, and what the
// same command makes of it afterwards has to be what one undisturbed run makes, bit for bit.

#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sys/mount.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <csignal>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <thread>
#include <vector>

#include "calib/profile/profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using namespace std::chrono_literals;
using tests::ProgramResult;
using tests::run_trueplate;
using tests::RunningProgram;
using tests::ScratchFolder;

constexpr int kDone = 0;
constexpr int kPartly = 3;
constexpr int kInterrupted = 130;

/// A picture with noise, which no compression makes small, different for each seed.
footage::Frame noisy_plate(ImageSize size, std::uint32_t seed) {
  footage::Frame frame;
  frame.windows = {{0, 0, size.width, size.height}, {0, 0, size.width, size.height}};
  frame.channels = {{"R", footage::SampleFormat::kHalf},
                    {"G", footage::SampleFormat::kHalf},
                    {"B", footage::SampleFormat::kHalf},
                    {"A", footage::SampleFormat::kHalf}};
  frame.alpha = footage::Alpha::kAssociated;
  frame.pixels = Image<float>(size.width, size.height, 4);
  for (std::size_t i = 0; i < frame.pixels.size(); ++i) {
    seed = seed * 1664525U + 1013904223U;  // Numerical Recipes, "quick and dirty" generator
    frame.pixels.data()[i] = static_cast<float>(seed >> 22) / 1024.0F;
  }
  return frame;
}

std::string write_profile(const fs::path& path, double k1, ImageSize size) {
  profile::Profile profile;
  profile::Station station;
  station.lens.plate_size = size;
  station.lens.focal_px = {0.9 * size.width, 0.9 * size.width};
  station.lens.principal_point_px = {0.5 * size.width, 0.5 * size.height};
  station.lens.model = lens::RadialTangential({k1, 0.02, 0.0, 0.0, 0.0});
  profile.stations.push_back(station);
  profile.provenance = {"2031-05-04T10:20:30Z", "test", "1", "invented", {}};
  const Result<void> written = profile::write_profile(path, profile, Overwrite::kRefuse);
  INFO((written ? std::string() : written.error().message));
  REQUIRE(written);
  return path.string();
}

using Files = std::map<std::string, std::string>;

Files files_in(const fs::path& folder) {
  Files files;
  for (const auto& entry : fs::directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    std::ifstream file(entry.path(), std::ios::binary);
    files[entry.path().filename().string()] = {std::istreambuf_iterator<char>(file), {}};
  }
  return files;
}

bool is_temporary(const std::string& name) { return name.find(".part.") != std::string::npos; }

/// Frames 1 to kCount, a lens, and what one undisturbed run makes of them.
struct Shot {
  static constexpr int kCount = 24;  // as many as six kills need, however late they come
  static constexpr ImageSize kSize = {320, 180};
  ScratchFolder scratch;
  std::string lens = write_profile(scratch.path() / "lens.json", -0.12, kSize);
  std::string plates = (scratch.path() / "plate.####.exr").string();

  Shot() {
    for (int i = 1; i <= kCount; ++i) {
      REQUIRE(warp::write_frame(scratch.path() / fmt::format("plate.{:04}.exr", i),
                                noisy_plate(kSize, static_cast<std::uint32_t>(i))));
    }
  }

  [[nodiscard]] std::vector<std::string> command(const fs::path& folder,
                                                 const std::string& extension,
                                                 const std::vector<std::string>& more = {}) const {
    std::vector<std::string> arguments = {"undistort",
                                          lens,
                                          plates,
                                          "-o",
                                          (folder / ("straight.####." + extension)).string(),
                                          "--threads",
                                          "2"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    return arguments;
  }

  /// A fresh folder.
  [[nodiscard]] fs::path folder(const std::string& name) const {
    const fs::path path = scratch.path() / name;
    fs::remove_all(path);
    fs::create_directory(path);
    return path;
  }

  const Files& undisturbed(const std::string& extension) {
    Files& files = undisturbed_[extension];
    if (!files.empty()) return files;
    const fs::path path = folder("undisturbed_" + extension);
    const ProgramResult result = run_trueplate(command(path, extension));
    INFO(result.errors);
    REQUIRE(result.status == kDone);
    files = files_in(path);
    return files;
  }

 private:
  std::map<std::string, Files> undisturbed_;
};

Shot& shot() {
  static Shot shared;
  return shared;
}

/// Every picture in `folder` is what one undisturbed run makes; returns how many there are.
int check_whole_frames(const fs::path& folder, const std::string& extension) {
  int count = 0;
  for (const auto& [name, bytes] : files_in(folder)) {
    if (name.front() == '.' || !name.ends_with(extension)) continue;
    CAPTURE(name);
    CHECK((shot().undisturbed(extension).at(name) == bytes));
    ++count;
  }
  return count;
}

/// All is there, and nothing else.
void check_finished(const fs::path& folder, const std::string& extension) {
  CHECK((files_in(folder) == shot().undisturbed(extension)));
}

nlohmann::json report_of(const ProgramResult& result) {
  return nlohmann::json::parse(result.output, nullptr, false);
}

/// Waits, within reason, until `condition` holds.
template <class Condition>
void wait_until(const Condition& condition) {
  for (int i = 0; i < 20'000 && !condition(); ++i) std::this_thread::sleep_for(500us);
}

/// The number of names in a folder that are files being written, and of those that are finished.
std::pair<int, int> count_names(const fs::path& folder) {
  std::pair<int, int> count = {0, 0};
  for (const auto& entry : fs::directory_iterator(folder)) {
    const std::string name = entry.path().filename().string();
    if (is_temporary(name)) ++count.first;
    if (name.front() != '.') ++count.second;
  }
  return count;
}

/// A file system of its own in memory; nothing, after saying so, where none may be mounted.
class SmallDisk {
 public:
  explicit SmallDisk(const fs::path& folder) : folder_(folder) {}
  ~SmallDisk() {
    if (mounted_) ::umount(folder_.c_str());
  }
  SmallDisk(const SmallDisk&) = delete;
  SmallDisk& operator=(const SmallDisk&) = delete;

  bool resize(std::size_t kib) {
    const std::string options = fmt::format("size={}k", kib);
    const unsigned long flags = mounted_ ? MS_REMOUNT : 0;
    if (::mount("tmpfs", folder_.c_str(), "tmpfs", flags, options.c_str()) == 0) {
      return mounted_ = true;
    }
    MESSAGE("skipped: no tmpfs can be mounted here (" << std::strerror(errno) << ")");
    return false;
  }

 private:
  fs::path folder_;
  bool mounted_ = false;
};

}  // namespace

TEST_CASE("killed in the middle, again and again: whole frames only, and the rest is made") {
  for (const std::string extension : {"exr", "dpx"}) {
    CAPTURE(extension);
    const fs::path folder = shot().folder("killed");
    shot().undisturbed(extension);
    int num_unfinished = 0;
    for (int kill = 0; kill < 6; ++kill) {
      RunningProgram program(tests::trueplate_program(), shot().command(folder, extension));
      // Three times as soon as a file is being written, three times when some more are finished.
      const int finished_before = count_names(folder).second;
      wait_until([&] {
        const auto [unfinished, finished] = count_names(folder);
        return kill % 2 == 0 ? unfinished > 0 : finished > finished_before + 1;
      });
      program.send(SIGKILL);
      CHECK(program.wait().status == 128 + SIGKILL);
      num_unfinished += count_names(folder).first;
      check_whole_frames(folder, extension);
    }
    const int found = check_whole_frames(folder, extension);
    const ProgramResult last = run_trueplate(shot().command(folder, extension, {"--json", "-"}));
    CAPTURE(last.errors);
    CHECK(last.status == kDone);
    const nlohmann::json report = report_of(last);
    CHECK(static_cast<int>(report["complete"].size()) == found);
    CHECK(static_cast<int>(report["done"].size()) == Shot::kCount - found);
    check_finished(folder, extension);
    MESSAGE(extension << ": 6 kills left " << num_unfinished << " unfinished files and " << found
                      << " whole frames");
  }
}

TEST_CASE("SIGTERM finishes what is being written and says how to go on") {
  const fs::path folder = shot().folder("terminated");
  RunningProgram program(tests::trueplate_program(), shot().command(folder, "exr"));
  wait_until([&] { return count_names(folder).second > 0; });
  program.send(SIGTERM);
  const ProgramResult result = program.wait();
  CAPTURE(result.errors);
  CHECK(result.status == kInterrupted);
  CHECK(result.errors.find("the same command again does the rest") != std::string::npos);
  CHECK(count_names(folder).first == 0);
  CHECK(check_whole_frames(folder, "exr") < Shot::kCount);
  CHECK(run_trueplate(shot().command(folder, "exr")).status == kDone);
  check_finished(folder, "exr");
}

TEST_CASE("a disk that is full: frames are named, none is half; with room again the rest is made") {
  for (const std::string extension : {"exr", "dpx", "tif"}) {
    CAPTURE(extension);
    std::size_t num_bytes = 0;
    for (const auto& [name, bytes] : shot().undisturbed(extension)) num_bytes += bytes.size();
    const fs::path folder = shot().folder("full");
    SmallDisk disk(folder);
    // Room for six frames: more than are in flight, so that one gets through, and few enough for
    // three failures one after another, even if a late frame gets the room of one that failed.
    if (!disk.resize(num_bytes / 4 / 1024)) return;

    const ProgramResult full = run_trueplate(shot().command(folder, extension, {"--json", "-"}));
    CAPTURE(full.errors);
    CHECK(full.status == kPartly);
    // It does not try the whole shot.
    CHECK(full.errors.find("three frames one after another could not be written") !=
          std::string::npos);
    CHECK(full.errors.find(extension == "tif" ? "full" : "No space left on device") !=
          std::string::npos);
    CHECK(count_names(folder).first == 0);
    const int num_whole = check_whole_frames(folder, extension);
    CHECK(num_whole > 0);
    CHECK(num_whole < Shot::kCount);
    const nlohmann::json report = report_of(full);
    CHECK(static_cast<int>(report["done"].size()) == num_whole);
    CHECK(report["gave_up"] == true);
    CHECK(report["failed"].size() >= 3);
    CHECK(report["failed"].size() + report["skipped"].size() + report["done"].size() ==
          Shot::kCount);

    REQUIRE(disk.resize(num_bytes * 2 / 1024));
    const ProgramResult again = run_trueplate(shot().command(folder, extension, {"--json", "-"}));
    CHECK(again.status == kDone);
    CHECK(static_cast<int>(report_of(again)["complete"].size()) == num_whole);
    check_finished(folder, extension);
  }
}

TEST_CASE("two processes on one range: both end well, one set of frames") {
  for (const std::string extension : {"exr", "dpx"}) {
    for (const char* overwrite : {"--json", "--overwrite"}) {
      CAPTURE(extension);
      CAPTURE(overwrite);
      const fs::path folder = shot().folder("shared");
      std::vector<std::string> arguments = shot().command(folder, extension, {"--json", "-"});
      if (std::string(overwrite) == "--overwrite") arguments.push_back(overwrite);
      RunningProgram first(tests::trueplate_program(), arguments);
      RunningProgram second(tests::trueplate_program(), arguments);
      std::size_t num_done = 0;
      for (RunningProgram* program : {&first, &second}) {
        const ProgramResult result = program->wait();
        CAPTURE(result.errors);
        CHECK(result.status == kDone);
        const nlohmann::json report = report_of(result);
        CHECK(report["done"].size() + report["complete"].size() == Shot::kCount);
        num_done += report["done"].size();
      }
      CHECK(num_done >= Shot::kCount);
      check_finished(folder, extension);
    }
  }
}

TEST_CASE(
    "frames of another lens, of other options or from another input are never kept in silence") {
  const fs::path folder = shot().folder("other");
  REQUIRE(run_trueplate(shot().command(folder, "exr")).status == kDone);
  const Files before = files_in(folder);
  std::vector<std::string> other_lens = shot().command(folder, "exr", {"--handoff", "none"});
  other_lens[1] = write_profile(shot().scratch.path() / "other.json", -0.11, Shot::kSize);
  for (const auto& command :
       {other_lens, shot().command(folder, "exr", {"--filter", "lanczos", "--handoff", "none"})}) {
    const ProgramResult refused = run_trueplate(command);
    CHECK(refused.status == 1);
    CHECK(refused.errors.find("straight.0001.exr: exists already and was made with another lens, "
                              "other options") != std::string::npos);
  }
  CHECK((files_in(folder) == before));
  // What does not change pixels may differ.
  const ProgramResult same = run_trueplate(
      shot().command(folder, "exr", {"--filter", "cubic", "--in-flight", "1", "--quiet"}));
  CHECK(same.status == kDone);
  CHECK((files_in(folder) == before));

  other_lens.insert(other_lens.end(), {"--overwrite", "--json", "-"});
  const ProgramResult replaced = run_trueplate(other_lens);
  CAPTURE(replaced.errors);
  CHECK(replaced.status == kDone);
  CHECK(report_of(replaced)["replaced"].size() == Shot::kCount);
  CHECK(replaced.errors.find("plate.0001.exr, plate.0002.exr") != std::string::npos);
}

TEST_CASE("frames that are missing or broken are named, and made once they are there") {
  const fs::path folder = shot().folder("holes");
  const fs::path in = shot().folder("holes_in");
  for (const int i : {1, 2, 4, 5}) {
    const std::string name = fmt::format("plate.{:04}.exr", i);
    fs::copy_file(shot().scratch.path() / name, in / name);
  }
  fs::resize_file(in / "plate.0004.exr", fs::file_size(in / "plate.0004.exr") / 2);
  std::vector<std::string> command =
      shot().command(folder, "exr", {"--frames", "1-5", "--json", (folder / "r.json").string()});
  command[2] = (in / "plate.####.exr").string();
  const ProgramResult partly = run_trueplate(command);
  CHECK(partly.status == kPartly);
  CHECK(partly.errors.find("plate.0003.exr: no such file") != std::string::npos);
  CHECK(partly.errors.find("plate.0004.exr") != std::string::npos);
  CHECK(count_names(folder).first == 0);
  std::ifstream stream(folder / "r.json");
  const nlohmann::json report = nlohmann::json::parse(stream);
  CHECK(report.at("done").size() == 3);
  REQUIRE(report.at("left_out").size() == 1);
  CHECK(report["left_out"][0].at("name") == "plate.0003.exr");
  CHECK(report["left_out"][0].at("reason").get<std::string>().find("no such file") !=
        std::string::npos);
  REQUIRE(report.at("failed").size() == 1);
  CHECK(report["failed"][0].at("name") == "plate.0004.exr");
  for (const int i : {3, 4}) {
    const std::string name = fmt::format("plate.{:04}.exr", i);
    fs::copy_file(shot().scratch.path() / name, in / name, fs::copy_options::overwrite_existing);
  }
  const ProgramResult whole = run_trueplate(command);
  CAPTURE(whole.errors);
  CHECK(whole.status == kDone);
  CHECK(whole.output.find("2 of 5 frames") != std::string::npos);
  CHECK(whole.output.find("3 were complete") != std::string::npos);
  CHECK(check_whole_frames(folder, "exr") == 5);
}

TEST_CASE("memory does not grow with the sequence, and stays below what is stated") {
  constexpr ImageSize kSize = {1280, 720};
  const ScratchFolder scratch;
  const std::string lens = write_profile(scratch.path() / "lens.json", -0.12, kSize);
  const fs::path plate = scratch.path() / "plate.exr";
  REQUIRE(warp::write_frame(plate, noisy_plate(kSize, 1), {.compression = "none"}));
  // Links to one file: each is a frame of its own.
  for (int i = 1; i <= 32; ++i) {
    fs::create_symlink("plate.exr", scratch.path() / fmt::format("plate.{:04}.exr", i));
  }
  const auto peak_mib = [&](int num_frames, int in_flight) {
    const fs::path folder = scratch.path() / "out";
    fs::remove_all(folder);
    fs::create_directory(folder);
    const ProgramResult result = run_trueplate({"undistort",
                                                lens,
                                                (scratch.path() / "plate.####.exr").string(),
                                                "--frames",
                                                fmt::format("1-{}", num_frames),
                                                "-o",
                                                (folder / "out.####.exr").string(),
                                                "--overscan",
                                                "none",
                                                "--threads",
                                                "2",
                                                "--in-flight",
                                                fmt::format("{}", in_flight)});
    CAPTURE(result.errors);
    REQUIRE(result.status == kDone);
    return static_cast<double>(result.peak_kib) / 1024.0;
  };
  // docs/sequences.md: in flight times input and output as float, the map, and 200 MB for the
  // program with its libraries, of which a call that does nothing tells the greater part.
  constexpr double kFrameMib = 1280.0 * 720.0 * 4 * sizeof(float) / (1 << 20);
  constexpr double kMapMib = 1280.0 * 720.0 * 2 * sizeof(float) / (1 << 20);
  const double program_mib = static_cast<double>(run_trueplate({"--version"}).peak_kib) / 1024.0;
  CHECK(program_mib < 180.0);
  for (const int in_flight : {1, 3}) {
    const double few = peak_mib(8, in_flight);
    const double many = peak_mib(32, in_flight);
    MESSAGE(in_flight << " in flight: " << few << " MiB for 8 frames, " << many << " for 32");
    CHECK(many < program_mib + in_flight * 2 * kFrameMib + kMapMib + 20.0);
    // What decoders free is kept for the next frame; how much at most depends on who waits for
    // whom.
    CHECK(many < few + 1.5 * kFrameMib);
  }
}
