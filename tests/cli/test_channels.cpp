// Lateral chromatic aberration as a user meets it: chart frames whose red and blue are rendered
// through another lens than green, three lenses in one profile, three maps, a plate straightened
// colour by colour. The truth is that of tests/support/chart_render.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "calib/profile/profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/chart_render.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"
#include "warp/io/st_map_file.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::ProgramResult;
using tests::run_trueplate;

constexpr int kWidth = 960;
constexpr int kHeight = 640;
constexpr double kFocalPx = 930.0;
constexpr double kK1 = -0.1;
constexpr double kNoise = 1.25 / 255.0;
const Point2d kCentre(0.5 * kWidth, 0.5 * kHeight);

/// How the lens of a colour differs from green's.
struct Difference {
  double scale = 1.0;
  double k1 = 0.0;
};
using Differences = std::array<Difference, 3>;  // red, green, blue
constexpr Differences kFringed{{{1.0006, -0.0015}, {}, {0.9995, 0.001}}};
constexpr Differences kEqual{};

tests::ChartScene scene_of(const tests::ChartPose& pose, const Difference& difference) {
  tests::ChartPose seen = pose;
  // The same chart at the same place before a lens of another focal length.
  seen.focal_px *= difference.scale;
  seen.square_px *= difference.scale;
  seen.middle_px = kCentre + difference.scale * (pose.middle_px - kCentre);
  return {.width = kWidth,
          .height = kHeight,
          .columns = 13,
          .rows = 8,
          .pose = seen,
          .k1 = kK1 + difference.k1,
          .blur_px = 0.8,
          .noise = kNoise,
          .samples = 2};
}

std::vector<tests::ChartPose> poses() {
  std::vector<tests::ChartPose> result;
  const auto add =
      [&](double x, double y, double square, double tilt_x, double tilt_y, double roll) {
        result.push_back({.focal_px = kFocalPx,
                          .middle_px = {x, y},
                          .square_px = square,
                          .tilt_x_deg = tilt_x,
                          .tilt_y_deg = tilt_y,
                          .roll_deg = roll});
      };
  add(490, 310, 62, -24, 5, 3);
  add(470, 330, 62, 22, 6, -3);
  add(475, 325, 60, 5, -26, 2);
  add(485, 315, 60, -4, 25, -2);
  // Into the corners of the frame, or there would be nothing to say of them.
  add(262, 172, 40, 10, -8, 1);
  add(698, 172, 40, -9, -10, -1);
  add(262, 468, 40, -8, 9, 2);
  add(698, 468, 40, 9, 10, -2);
  return result;
}

footage::Frame frame_of(const std::vector<Image<float>>& planes,
                        const std::vector<std::string>& names) {
  footage::Frame frame;
  const int channels = static_cast<int>(planes.size());
  frame.pixels = Image<float>(kWidth, kHeight, channels);
  for (int c = 0; c < channels; ++c) {
    frame.channels.push_back({names[static_cast<std::size_t>(c)], footage::SampleFormat::kHalf});
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x)
        frame.pixels.at(x, y, c) = planes[static_cast<std::size_t>(c)].at(x, y);
    }
  }
  const Window window{.x = 0, .y = 0, .width = kWidth, .height = kHeight};
  frame.windows = {.display = window, .data = window};
  return frame;
}

void write(const fs::path& path, const footage::Frame& frame) {
  const auto written = warp::write_frame(path, frame);
  REQUIRE_MESSAGE(written.has_value(), (written ? "" : written.error().message));
}

/// Frames of a chart, chart.0001.exr and so on; each colour with noise of its own.
void write_footage(const fs::path& folder, const Differences& differences) {
  fs::create_directory(folder);
  std::uint32_t seed = 1;
  int number = 0;
  for (const tests::ChartPose& pose : poses()) {
    std::vector<Image<float>> planes;
    for (const Difference& difference : differences) {
      tests::ChartScene scene = scene_of(pose, difference);
      scene.seed = seed++;
      planes.push_back(std::move(render_chart(scene).image));
    }
    write(folder / fmt::format("chart.{:04d}.exr", ++number), frame_of(planes, {"R", "G", "B"}));
  }
}

std::vector<std::string> calibrate_arguments(const fs::path& folder) {
  return {"calibrate",
          (folder / "chart.####.exr").string(),
          "--chart",
          "checkerboard",
          "--grid",
          "13x8",
          "--pitch",
          "30mm",
          "--model",
          "radial-tangential",
          "--chart-shape",
          "flat",
          "--per-channel",
          "-o",
          (folder / "lens.json").string(),
          "--json",
          (folder / "result.json").string()};
}

nlohmann::json read_json(const fs::path& path) {
  std::ifstream file(path);
  return nlohmann::json::parse(file);
}

/// Footage of both kinds, rendered and calibrated once.
struct Shot {
  tests::ScratchFolder scratch;
  fs::path fringed = scratch.path() / "fringed";
  fs::path equal = scratch.path() / "equal";
  ProgramResult said;

  Shot() {
    write_footage(fringed, kFringed);
    write_footage(equal, kEqual);
    said = run_trueplate(calibrate_arguments(fringed));
    REQUIRE_MESSAGE(said.status == 0, said.errors);
    const ProgramResult other = run_trueplate(calibrate_arguments(equal));
    REQUIRE_MESSAGE(other.status == 0, other.errors);
    std::printf("%s%s", said.output.c_str(), other.output.c_str());
  }
};

const Shot& shot() {
  static const Shot shared;
  return shared;
}

/// Where the true lens of a colour shows the ray that green's true lens has at p_px.
Point2d true_place(const Difference& difference, const Point2d& p_px) {
  const Point2d distorted = (p_px - kCentre) / kFocalPx;
  const double wanted = distorted.norm();
  double r = wanted;
  for (int i = 0; i < 30; ++i) r -= (r * (1.0 + kK1 * r * r) - wanted) / (1.0 + 3.0 * kK1 * r * r);
  if (wanted == 0.0) return kCentre;
  const double r_colour = r * (1.0 + (kK1 + difference.k1) * r * r);
  return kCentre + kFocalPx * difference.scale * (r_colour / wanted) * distorted;
}

Point2d found_place(const lens::Lens& green, const lens::Lens& colour, const Point2d& p_px) {
  const auto ray = lens::undistort_to_ray(green.model, lens::ideal_from_px(green, p_px));
  REQUIRE(ray);
  return lens::px_from_ideal(colour, *lens::distort_ray(colour.model, *ray));
}

struct ShiftError {
  double rms_px = 0.0;
  double max_px = 0.0;
  double true_rms_px = 0.0;
};

ShiftError shift_error(const lens::Lens& green, const lens::Lens& colour, const Difference& truth) {
  ShiftError error;
  int count = 0;
  for (int y = 0; y <= kHeight; y += 20) {
    for (int x = 0; x <= kWidth; x += 20) {
      const Point2d p(x, y);
      const double off = (found_place(green, colour, p) - true_place(truth, p)).norm();
      error.rms_px += off * off;
      error.max_px = std::max(error.max_px, off);
      error.true_rms_px += (true_place(truth, p) - p).squaredNorm();
      ++count;
    }
  }
  error.rms_px = std::sqrt(error.rms_px / count);
  error.true_rms_px = std::sqrt(error.true_rms_px / count);
  return error;
}

constexpr double kShiftRmsPx = 0.01;  // over the frame
constexpr double kNoShiftRmsPx = 0.005;

}  // namespace

TEST_CASE("the lateral shift of red and blue is that of the lenses they were rendered through") {
  const auto profile = profile::read_profile(shot().fringed / "lens.json");
  REQUIRE(profile);
  const profile::Station& station = profile->stations.front();
  REQUIRE(station.channels);
  const nlohmann::json result = read_json(shot().fringed / "result.json");
  const auto check =
      [&](const char* name, const profile::ColourLens& colour, const Difference& truth) {
        CAPTURE(name);
        const ShiftError error = shift_error(station.lens, colour.lens, truth);
        std::printf("%s: true shift %.4f px rms, found %.4f; error %.5f px rms, at most %.5f px\n",
                    name,
                    error.true_rms_px,
                    colour.shift.rms_px,
                    error.rms_px,
                    error.max_px);
        CHECK(error.rms_px < kShiftRmsPx);
        CHECK(error.rms_px < 3.0 * colour.shift.rms_sigma_px);
        CHECK(colour.shift.significant);
        CHECK(colour.shift.rms_px == doctest::Approx(error.true_rms_px).epsilon(0.05));
        const nlohmann::json& json = result["channels"][name];
        CHECK(json["shift"]["significant"] == true);
        CHECK(json["shift"]["rms_px"] == colour.shift.rms_px);
        CHECK(json["points"] == colour.num_points);
        CHECK(json["sigma"].size() == 9);
        CHECK(json["sigma"]["k1"] > 0.0);
        CHECK(json["coefficients"]["k1"] == lens::parameters(colour.lens.model)[0]);
        CHECK(shot().said.output.find(fmt::format("{} beside green: ", name)) != std::string::npos);
      };
  check("red", station.channels->red, kFringed[0]);
  check("blue", station.channels->blue, kFringed[2]);
}

TEST_CASE("equal channels are told to be so") {
  const auto profile = profile::read_profile(shot().equal / "lens.json");
  REQUIRE(profile);
  const profile::Station& station = profile->stations.front();
  REQUIRE(station.channels);
  for (const auto* colour : {&station.channels->red, &station.channels->blue}) {
    std::printf("equal channels: shift %.5f px rms, sigma %.5f, p %.3f\n",
                colour->shift.rms_px,
                colour->shift.rms_sigma_px,
                colour->shift.p_value);
    CHECK_FALSE(colour->shift.significant);
    CHECK(colour->shift.rms_px < kNoShiftRmsPx);
  }
  const ProgramResult info = run_trueplate({"info", (shot().equal / "lens.json").string()});
  CHECK(info.status == 0);
  CHECK(info.output.find("Blue               beside green by") != std::string::npos);
}

TEST_CASE("three maps share a window and differ as the lenses do") {
  const tests::ScratchFolder scratch;
  const std::string profile = (shot().fringed / "lens.json").string();
  std::vector<warp::StMapFile> maps;
  for (const char* name : {"red", "green", "blue"}) {
    const std::string path = (scratch.path() / fmt::format("{}.exr", name)).string();
    const ProgramResult result =
        run_trueplate({"stmap", profile, "--undistort", path, "--channel", name});
    REQUIRE_MESSAGE(result.status == 0, result.errors);
    auto map = warp::read_st_map(path);
    REQUIRE(map);
    CHECK(map->lens_text.find(fmt::format("{} channel", name)) != std::string::npos);
    maps.push_back(*std::move(map));
  }
  const Window data = maps[0].map.output.data;
  for (std::size_t c : {0U, 2U}) {
    REQUIRE(maps[c].map.output.data == maps[1].map.output.data);
    double squares = 0.0;
    int count = 0;
    const auto place = [&](const warp::StMap& map, int x, int y) {
      return warp::position_from_st(
          {map.st.at(x, y, 0), map.st.at(x, y, 1)}, {kWidth, kHeight}, map.t_origin);
    };
    for (int y = 0; y < data.height; y += 16) {
      for (int x = 0; x < data.width; x += 16) {
        const Point2d green = place(maps[1].map, x, y);
        if (!green.allFinite() || green.minCoeff() < 0.0 || green.x() > kWidth ||
            green.y() > kHeight)
          continue;
        const Point2d off = place(maps[c].map, x, y) - true_place(kFringed[c], green);
        squares += off.squaredNorm();
        ++count;
      }
    }
    REQUIRE(count > 1000);
    CHECK(std::sqrt(squares / count) < kShiftRmsPx);
  }
}

TEST_CASE("straightened colour by colour, the fringes of a plate are gone") {
  const tests::ScratchFolder scratch;
  const std::string profile = (shot().fringed / "lens.json").string();
  const auto fringe = [&](const char* name,
                          const fs::path& folder,
                          const std::vector<std::string>& more) {
    const std::string plate = (folder / "chart.0001.exr").string();
    const fs::path path = scratch.path() / name;
    std::vector<std::string> arguments{
        "undistort", profile, plate, "-o", path.string(), "--overscan", "none"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    const ProgramResult result = run_trueplate(arguments);
    REQUIRE_MESSAGE(result.status == 0, result.errors);
    const auto frame = footage::read_frame(path);
    REQUIRE(frame);
    std::array<int, 3> rgb{};
    for (int c = 0; c < 3; ++c) {
      const std::string& channel = frame->channels[static_cast<std::size_t>(c)].name;
      rgb[channel == "R" ? 0 : channel == "G" ? 1 : 2] = c;
    }
    double squares = 0.0;
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        const double difference = frame->pixels.at(x, y, rgb[0]) - frame->pixels.at(x, y, rgb[2]);
        squares += difference * difference;
      }
    }
    return std::sqrt(squares / (static_cast<double>(kWidth) * kHeight));
  };
  const double none = fringe("none.exr", shot().equal, {});  // noise, filtered
  const double one_lens = fringe("one.exr", shot().fringed, {});
  const double three_lenses = fringe("three.exr", shot().fringed, {"--per-channel"});
  std::printf(
      "red less blue: %.5f rms through one lens, %.5f through three, %.5f without fringes\n",
      one_lens,
      three_lenses,
      none);
  const auto fringes = [&](double rms) {
    return std::sqrt(std::max(0.0, rms * rms - none * none));
  };
  CHECK(fringes(three_lenses) < fringes(one_lens) / 3.0);
}

TEST_CASE("bad requests for colours are refused") {
  const tests::ScratchFolder scratch;
  const std::string map = (scratch.path() / "map.exr").string();
  const std::string with = (shot().fringed / "lens.json").string();
  ProgramResult result = run_trueplate({"stmap", with, "--undistort", map, "--channel", "amber"});
  CHECK(result.status == 2);
  CHECK(result.errors.find("unknown word 'amber'") != std::string::npos);

  auto profile = profile::read_profile(with);
  REQUIRE(profile);
  profile->stations.front().channels.reset();
  const std::string without = (scratch.path() / "one_lens.json").string();
  REQUIRE(profile::write_profile(without, *profile, Overwrite::kRefuse));
  const std::string wanted = "one_lens.json: holds one lens for all colours, wanted one each";
  result = run_trueplate({"stmap", without, "--undistort", map, "--channel", "red"});
  CHECK(result.status == 1);
  CHECK(result.errors.find(wanted) != std::string::npos);
  const std::string plate = (shot().fringed / "chart.0001.exr").string();
  result = run_trueplate({"undistort", without, plate, "-o", map, "--per-channel"});
  CHECK(result.status == 1);
  CHECK(result.errors.find(wanted) != std::string::npos);
  CHECK_FALSE(fs::exists(map));

  const fs::path grey = scratch.path() / "grey";
  fs::create_directory(grey);
  std::vector<Image<float>> plane;
  plane.emplace_back(kWidth, kHeight, 1);
  for (int i = 1; i <= 3; ++i) {
    write(grey / fmt::format("chart.000{}.exr", i), frame_of(plane, {"Y"}));
  }
  result = run_trueplate(calibrate_arguments(grey));
  CHECK(result.status == 1);
  CHECK(result.errors.find("chart.0001.exr: is grey: among the channels Y there is no green") !=
        std::string::npos);
  result = run_trueplate(
      {"undistort", with, (grey / "chart.0001.exr").string(), "-o", map, "--per-channel"});
  CHECK(result.status == 1);
  CHECK(result.errors.find("chart.0001.exr: no channel is called R") != std::string::npos);

  const std::string corners = (scratch.path() / "corners.csv").string();
  std::ofstream(corners) << "# image: 960x640\nframe,chart_x_mm,chart_y_mm,x,y\na,0,0,1,1\n";
  result = run_trueplate(
      {"calibrate", corners, "--per-channel", "-o", (scratch.path() / "lens.json").string()});
  CHECK(result.status == 2);
  CHECK(result.errors.find("--per-channel measures red, green and blue in frames") !=
        std::string::npos);
}
