// Movies through detect and calibrate: what cameras and editors write, every kind of chart, and
// what is wrong with some files. Points and lens are compared with those the pictures were rendered
// with, by a renderer that shares nothing with the program.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/footage/observations.h"
#include "tests/cli/run_program.h"
#include "tests/support/chart_movie.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::ChartMovie;
using tests::ProgramResult;
using tests::run_trueplate;
using tests::ScratchFolder;

constexpr int kDone = 0;
constexpr int kFailed = 1;
constexpr int kPartly = 3;

constexpr double kFocalPx = 620.0;
constexpr int kNumFrames = 16;
constexpr double kK1 = -0.08;

/// A chart held up to the camera in ever new poses.
ChartMovie::Shot shot_of(tests::Pattern pattern) {
  tests::ChartScene scene;
  scene.width = 640;
  scene.height = 480;
  scene.pattern = pattern;
  scene.columns = 11;
  scene.rows = pattern == tests::Pattern::kDotsStaggered ? 14 : 8;
  scene.k1 = kK1;
  scene.noise = 0.003;
  const auto pose_at = [](int frame) {
    const double turn = 2.0 * M_PI * frame / kNumFrames;
    return tests::ChartPose{
        .focal_px = kFocalPx,
        .middle_px = {320.0 + 50.0 * std::cos(3.0 * turn), 240.0 + 35.0 * std::sin(5.0 * turn)},
        .square_px = 34.0 + 3.0 * std::cos(2.0 * turn),
        .tilt_x_deg = 28.0 * std::sin(turn),
        .tilt_y_deg = 28.0 * std::cos(turn),
        .roll_deg = 10.0 * std::sin(3.0 * turn)};
  };
  return {.num_frames = kNumFrames, .scene = scene, .pose_at = pose_at};
}

struct Studio {
  ScratchFolder scratch;
  ChartMovie checkerboard = movie_of("checkerboard", tests::Pattern::kCheckerboard);

  [[nodiscard]] ChartMovie movie_of(const std::string& name, tests::Pattern pattern) const {
    const fs::path folder = scratch.path() / name;
    fs::create_directory(folder);
    return {folder, shot_of(pattern)};
  }
  [[nodiscard]] std::string operator/(const std::string& name) const {
    return (scratch.path() / name).string();
  }
};

const Studio& studio() {
  static const Studio shared;
  return shared;
}

std::string read(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

ProgramResult detect(const std::string& movie,
                     const std::string& kind,
                     const std::vector<std::string>& more) {
  std::vector<std::string> arguments{
      "detect", movie, "--chart", kind, "--pitch", "25mm", "--overwrite"};
  arguments.insert(arguments.end(), more.begin(), more.end());
  return run_trueplate(arguments);
}

ProgramResult calibrate(const std::string& movie, const std::vector<std::string>& more) {
  std::vector<std::string> arguments{
      "calibrate", movie, "--chart", "checkerboard", "--pitch", "25mm", "--overwrite"};
  arguments.insert(arguments.end(), more.begin(), more.end());
  return run_trueplate(arguments);
}

/// Distance of each point from the nearest true one: rms over all frames.
double rms_from_truth(const footage::Observations& seen, const ChartMovie& movie) {
  double sum = 0.0;
  int count = 0;
  for (const target::View& view : seen.views) {
    const std::size_t number = std::stoul(view.frame.substr(view.frame.find('#') + 1));
    for (const target::Corner& corner : view.corners) {
      double nearest = std::numeric_limits<double>::infinity();
      for (const Point2d& truth : movie.truth_px().at(number - 1)) {
        nearest = std::min(nearest, (corner.p_plate_px - truth).squaredNorm());
      }
      sum += nearest;
      ++count;
    }
  }
  return std::sqrt(sum / count);
}

bool mentions(const ProgramResult& result, const std::string& words) {
  return result.errors.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("H.264, ProRes and DNxHR give the lens the frames were rendered with") {
  if (!tests::has_ffmpeg()) return;
  struct Case {
    const char* file;
    std::vector<std::string> arguments;
  };
  const std::vector<Case> cases = {
      {"h264.mp4", {"-c:v", "libx264", "-crf", "14", "-pix_fmt", "yuv420p"}},
      {"prores.mov", {"-c:v", "prores_ks", "-profile:v", "3", "-pix_fmt", "yuv422p10le"}},
      {"dnxhr.mov", {"-c:v", "dnxhd", "-profile:v", "dnxhr_hq", "-pix_fmt", "yuv422p"}},
      {"dnxhr.mxf", {"-c:v", "dnxhd", "-profile:v", "dnxhr_hqx", "-pix_fmt", "yuv422p10le"}}};
  for (const Case& one : cases) {
    CAPTURE(one.file);
    const std::string movie = studio().checkerboard.encode(one.file, one.arguments);
    const std::string lens = studio() / fmt::format("{}.json", one.file);
    const std::string result_file = studio() / fmt::format("{}.result.json", one.file);
    const ProgramResult result = calibrate(movie, {"-o", lens, "--json", result_file});
    CAPTURE(result.errors);
    REQUIRE(result.status == kDone);
    const nlohmann::json found = nlohmann::json::parse(read(result_file));
    CHECK(found["frames"].size() == kNumFrames);
    CHECK(found["frames"][0]["name"] == fmt::format("{}#1", one.file));
    CHECK(found["rms_px"].get<double>() < 0.1);
    MESSAGE(fmt::format("{}: focal length {:.2f} px (true {}), rms {:.4f} px",
                        one.file,
                        found["focal_px"]["x"].get<double>(),
                        kFocalPx,
                        found["rms_px"].get<double>()));
    for (const char* axis : {"x", "y"}) {
      CHECK(found["focal_px"][axis].get<double>() == doctest::Approx(kFocalPx).epsilon(0.003));
    }
    CHECK(found["coefficients"]["k1"].get<double>() == doctest::Approx(kK1).epsilon(0.1));
  }
}

TEST_CASE("lines and dots are found in movies, where they are") {
  if (!tests::has_ffmpeg()) return;
  struct Case {
    const char* kind;
    tests::Pattern pattern;
    int least_points;  // of a frame
  };
  // A crossing at the end of its lines does not count.
  for (const Case& one : {Case{"lines", tests::Pattern::kLines, 9 * 6},
                          Case{"dots", tests::Pattern::kDots, 11 * 8},
                          Case{"dots-staggered", tests::Pattern::kDotsStaggered, 11 * 14}}) {
    CAPTURE(one.kind);
    const ChartMovie shot = studio().movie_of(one.kind, one.pattern);
    const std::string movie = shot.encode(fmt::format("{}.mp4", one.kind),
                                          {"-c:v", "libx264", "-crf", "12", "-pix_fmt", "yuv420p"});
    const std::string csv = studio() / fmt::format("{}.csv", one.kind);
    const ProgramResult result = detect(movie, one.kind, {"-o", csv});
    CAPTURE(result.errors);
    REQUIRE(result.status == kDone);
    const auto seen = footage::read_observations(csv);
    REQUIRE(seen.has_value());
    CHECK(seen->views.size() == kNumFrames);
    for (const target::View& view : seen->views) {
      CAPTURE(view.frame);
      CHECK(static_cast<int>(view.corners.size()) >= one.least_points);
    }
    const double rms_px = rms_from_truth(*seen, shot);
    MESSAGE(fmt::format("{} in H.264: {:.4f} px rms from the truth", one.kind, rms_px));
    CHECK(rms_px < 0.15);

    const std::string lens = studio() / fmt::format("{}.lens.json", one.kind);
    const std::string result_file = studio() / fmt::format("{}.result.json", one.kind);
    const ProgramResult fitted =
        run_trueplate({"calibrate", csv, "-o", lens, "--json", result_file});
    CAPTURE(fitted.errors);
    REQUIRE(fitted.status == kDone);
    const nlohmann::json found = nlohmann::json::parse(read(result_file));
    CHECK(found["focal_px"]["x"].get<double>() == doctest::Approx(kFocalPx).epsilon(0.01));
  }
}

TEST_CASE("frames of a movie are chosen by number, drawn under it, and named") {
  if (!tests::has_ffmpeg()) return;
  const std::string movie = studio().checkerboard.encode("clip.mkv", {"-c:v", "ffv1"});
  const fs::path folder = studio() / "drawn";
  const ProgramResult result =
      detect(movie,
             "checkerboard",
             {"-o", studio() / "clip.csv", "--frames", "3-5", "--draw", folder.string()});
  CAPTURE(result.errors);
  REQUIRE(result.status == kDone);
  for (const char* name : {"clip.0003.png", "clip.0004.png", "clip.0005.png"}) {
    CHECK(fs::exists(folder / name));
  }
  CHECK(std::distance(fs::directory_iterator(folder), fs::directory_iterator()) == 3);
}

TEST_CASE("repeated frames are named with the one they repeat, and not fitted") {
  if (!tests::has_ffmpeg()) return;
  const std::string movie = studio().checkerboard.encode(
      "twos.mp4", {"-vf", "fps=48", "-c:v", "libx264", "-crf", "16", "-pix_fmt", "yuv420p"});
  const std::string result_file = studio() / "twos.json";
  const ProgramResult seen =
      detect(movie, "checkerboard", {"-o", studio() / "twos.csv", "--json", result_file});
  CAPTURE(seen.errors);
  CHECK(seen.status == kDone);
  const nlohmann::json frames = nlohmann::json::parse(read(result_file))["frames"];
  REQUIRE(frames.size() >= 2 * kNumFrames - 1);
  CHECK(frames[0]["repeats"].is_null());
  CHECK(frames[1]["repeats"] == "twos.mp4#1");
  CHECK(frames[7]["repeats"] == "twos.mp4#7");
  const auto observations = footage::read_observations(studio() / "twos.csv");
  REQUIRE(observations.has_value());
  CHECK(observations->views.size() == kNumFrames);

  const ProgramResult fitted =
      calibrate(movie, {"-o", studio() / "twos.lens.json", "--json", result_file});
  CAPTURE(fitted.errors);
  CHECK(fitted.status == kDone);
  const nlohmann::json used = nlohmann::json::parse(read(result_file))["frames"];
  CHECK(used[0]["used"] == true);
  CHECK(used[1]["used"] == false);
  CHECK(used[1]["reason"] == "not chosen: repeats the picture of twos.mp4#1");
}

TEST_CASE("interlaced frames are warned of with a number") {
  if (!tests::has_ffmpeg()) return;
  ScratchFolder scratch;
  const ChartMovie moving(scratch.path());
  const std::string movie =
      moving.encode("woven.mov", {"-vf", "tinterlace=mode=interleave_top", "-c:v", "prores_ks"});
  const ProgramResult result = detect(movie, "checkerboard", {"-o", studio() / "woven.csv"});
  CAPTURE(result.errors);
  CHECK(result.status == kDone);
  CHECK(mentions(result, "two moments"));
  CHECK(mentions(result, "woven.mov#1"));
  CHECK(mentions(result, "more frames have this warning [field-motion]"));
}

TEST_CASE("a movie cut short, one without video, and one that is none") {
  if (!tests::has_ffmpeg()) return;
  const std::string whole = studio().checkerboard.encode(
      "whole.mp4", {"-c:v", "libx264", "-movflags", "+faststart", "-g", "4"});
  const std::string bytes = read(whole);
  const std::string cut = studio() / "cut.mp4";
  std::ofstream(cut, std::ios::binary) << bytes.substr(0, bytes.size() * 6 / 10);
  const ProgramResult partly = detect(cut, "checkerboard", {"-o", studio() / "cut.csv"});
  CAPTURE(partly.errors);
  CHECK(partly.status == kPartly);
  CHECK(mentions(partly, "cut.mp4"));
  const auto seen = footage::read_observations(studio() / "cut.csv");
  REQUIRE(seen.has_value());
  CHECK(seen->views.size() >= 4);
  CHECK(seen->views.size() < kNumFrames);

  // The index stands at the end, and is gone.
  const std::string headless = studio() / "headless.mp4";
  const std::string plain = read(studio().checkerboard.encode("plain.mp4", {"-c:v", "libx264"}));
  std::ofstream(headless, std::ios::binary) << plain.substr(0, plain.size() / 2);
  const std::string sound = studio() / "sound.mov";
  REQUIRE(tests::run_program("ffmpeg",
                             {"-v", "error", "-y", "-f", "lavfi", "-i", "sine=duration=1", sound})
              .status == kDone);
  const std::string text = studio() / "text.mov";
  std::ofstream(text) << "no movie at all";
  for (const std::string& movie : {headless, sound, text}) {
    CAPTURE(movie);
    const ProgramResult refused = calibrate(movie, {"-o", studio() / "never.json"});
    CAPTURE(refused.errors);
    CHECK(refused.status == kFailed);
    CHECK(mentions(refused, fs::path(movie).filename().string()));
    CHECK_FALSE(fs::exists(studio() / "never.json"));
  }
  CHECK(mentions(calibrate(sound, {"-o", studio() / "never.json"}), "no video"));
}
