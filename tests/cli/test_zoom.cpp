// A zoom from calibrations to plates, by the program alone.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "calib/footage/observations.h"
#include "calib/profile/profile.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/calib/zoom/simulated_zoom.h"
#include "tests/cli/lens_files.h"
#include "warp/io/lens_attributes.h"

namespace trueplate::tests {
namespace {

namespace fs = std::filesystem;

constexpr ImageSize kSmall{256, 144};

lens::Lens small_zoom(double focal_mm, double focus_m) {
  return lens::scaled_to(true_zoom(focal_mm, focus_m), kSmall);
}

std::string write_station(const fs::path& folder, const StationAt& at) {
  profile::Profile profile;
  profile.labels.lens = "Example zoom 24-70";
  profile::Station station;
  station.nominal_focal_mm = at.focal_mm;
  station.focus_m = at.focus_m;
  station.lens = small_zoom(at.focal_mm, at.focus_m);
  profile.stations.push_back(station);
  profile.provenance = {.created = "2031-05-04T10:20:30Z",
                        .program = "trueplate",
                        .program_version = "0",
                        .method = "invented",
                        .footage = {}};
  const fs::path path = folder / fmt::format("{:g}mm_{:g}m.json", at.focal_mm, at.focus_m);
  const Result<void> written = profile::write_profile(path, profile, Overwrite::kAllow);
  REQUIRE_MESSAGE(written, written.error().message);
  return path.string();
}

/// The zoom's profile, gathered by the program.
std::string gathered(const fs::path& folder) {
  std::vector<std::string> arguments{"gather"};
  for (const StationAt& at : five_by_three()) arguments.push_back(write_station(folder, at));
  const std::string zoom = (folder / "zoom.json").string();
  arguments.insert(arguments.end(), {"-o", zoom, "--quiet"});
  run_well(arguments);
  return zoom;
}

constexpr int kNumFrames = 4;
double focus_at(int frame) { return 1.0 / (0.2 + 0.3 * (frame - 1001)); }

void write_plates(const fs::path& folder) {
  fs::create_directories(folder / "plates");
  for (int frame = 1001; frame < 1001 + kNumFrames; ++frame) {
    Image<float> pixels(kSmall.width, kSmall.height, 1);
    for (int y = 0; y < kSmall.height; ++y) {
      for (int x = 0; x < kSmall.width; ++x) {
        pixels.row(y)[x] = 0.5F + 0.4F * std::sin(0.2F * static_cast<float>(x)) *
                                      std::cos(0.15F * static_cast<float>(y));
      }
    }
    const Window window{.width = kSmall.width, .height = kSmall.height};
    footage::Frame plate = frame_of(std::move(pixels), {window, window});
    warp::add_lens_attributes(plate, {.nominal_focal_mm = 37.0, .focus_m = focus_at(frame)});
    write_frame(folder / fmt::format("plates/plate.{}.exr", frame), plate);
  }
}

std::string write_table(const fs::path& folder) {
  const fs::path path = folder / "lens.csv";
  std::ofstream file(path);
  file << "frame,focal,focus\n";
  for (int frame = 1001; frame < 1001 + kNumFrames; ++frame) {
    file << fmt::format("{},37,{:.9f}\n", frame, focus_at(frame));
  }
  return path.string();
}

Image<float> pixels_of(const fs::path& path) {
  Result<footage::Frame> frame = footage::read_frame(path);
  REQUIRE_MESSAGE(frame, frame.error().message);
  return std::move(frame->pixels);
}

float largest_difference(const Image<float>& a, const Image<float>& b) {
  REQUIRE(a.width() == b.width());
  REQUIRE(a.height() == b.height());
  float largest = 0.0F;
  for (int y = 0; y < a.height(); ++y) {
    for (int x = 0; x < a.width(); ++x) {
      largest = std::max(largest, std::abs(a.row(y)[x] - b.row(y)[x]));
    }
  }
  return largest;
}

}  // namespace

TEST_CASE("calibrations are gathered, told about, and asked for in between") {
  const ScratchFolder scratch;
  const std::string zoom = gathered(scratch.path());
  const std::string info = run_well({"info", zoom}).output;
  CHECK(info.find("Between stations") != std::string::npos);
  CHECK(info.find("Breathing") != std::string::npos);
  CHECK(info.find("Left out") != std::string::npos);

  const std::string at = (scratch.path() / "at.json").string();
  const ProgramResult written =
      run_well({"state", zoom, "--focal", "37mm", "--focus", "1.1m", "-o", at});
  CHECK(written.errors.find("between stations") != std::string::npos);
  const Result<profile::Profile> profile = profile::read_profile(at);
  REQUIRE(profile);
  CHECK(solved_plate_error(profile->stations.front().lens, small_zoom(37.0, 1.1)).rms_px < 0.01);

  const ProgramResult unsaid = run_trueplate({"handoff", zoom});
  CHECK(unsaid.status == 1);
  CHECK(unsaid.errors.find("say its focal length (--focal") != std::string::npos);
  const ProgramResult beyond =
      run_trueplate({"handoff", zoom, "--focal", "20mm", "--focus", "1.1m"});
  CHECK(beyond.status == 1);
  CHECK(beyond.errors.find("beyond the stations, which span 24 to 70 mm") != std::string::npos);
  const ProgramResult allowed =
      run_well({"handoff", zoom, "--focal", "20mm", "--focus", "1.1m", "--extrapolate"});
  CHECK(allowed.errors.find("warning: beyond the stations") != std::string::npos);
  const ProgramResult compared = run_well({"compare", zoom, at});
  CHECK(compared.errors.find("15 stations of A and 1 of B have no counterpart") !=
        std::string::npos);
  CHECK(
      compared.output.find("too uncertain to say: the calibrations have no station at one state") !=
      std::string::npos);
  const std::string change = (scratch.path() / "change.json").string();
  run_well({"compare", zoom, zoom, "--json", change, "--quiet"});
  CHECK(read_json(change).at("change").at("stations").size() == 15);
  CHECK(read_json(change).at("change").at("between").size() == 8);
  CHECK(run_trueplate({"compare", zoom, zoom, "--report", "x.html"}).status == 2);
  CHECK(run_trueplate({"compare", zoom, zoom, "--check"}).status == 5);
  CHECK(run_trueplate({"state", zoom, "--focal", "37", "-o", "x.json"}).status == 2);
}

TEST_CASE("a lens for every frame: from a table and from headers, in pictures, maps and points") {
  const ScratchFolder scratch;
  const fs::path& folder = scratch.path();
  const std::string zoom = gathered(folder);
  write_plates(folder);
  const std::string table = write_table(folder);
  const std::string plates = (folder / "plates/plate.####.exr").string();
  const std::string json = (folder / "report.json").string();
  fs::create_directories(folder / "table");
  fs::create_directories(folder / "headers");
  run_well({"undistort",
            zoom,
            plates,
            "--per-frame",
            table,
            "-o",
            (folder / "table/s.####.exr").string(),
            "--json",
            json,
            "--handoff",
            "none"});
  const nlohmann::json report = read_json(json);
  REQUIRE(report.at("lenses").size() == kNumFrames);
  CHECK(report.at("lenses")[1].at("focal_px").at("x").get<double>() ==
        doctest::Approx(small_zoom(37.0, focus_at(1002)).focal_px.x()).epsilon(1e-3));

  run_well({"undistort",
            zoom,
            plates,
            "--per-frame",
            "headers",
            "-o",
            (folder / "headers/s.####.exr").string(),
            "--handoff",
            "none"});
  for (int frame = 1001; frame < 1001 + kNumFrames; ++frame) {
    const std::string name = fmt::format("s.{}.exr", frame);
    // A header holds floats.
    CHECK(largest_difference(pixels_of(folder / "table" / name),
                             pixels_of(folder / "headers" / name)) < 1e-4F);
  }

  // The same frame alone, at its own state and with the same overscan.
  const Result<footage::Frame> made = footage::read_frame(folder / "table/s.1003.exr");
  REQUIRE(made);
  const Window& data = made->windows.data;
  const std::string overscan = fmt::format("{},{},{},{}",
                                           -data.x,
                                           -data.y,
                                           data.width + data.x - kSmall.width,
                                           data.height + data.y - kSmall.height);
  run_well({"undistort",
            zoom,
            (folder / "plates/plate.1003.exr").string(),
            "--focal",
            "37mm",
            "--focus",
            fmt::format("{:.9f}m", focus_at(1003)),
            "--overscan",
            overscan,
            "-o",
            (folder / "alone.exr").string(),
            "--handoff",
            "none"});
  CHECK(largest_difference(made->pixels, pixels_of(folder / "alone.exr")) < 1e-6F);

  run_well({"stmap",
            zoom,
            "--per-frame",
            table,
            "--undistort",
            (folder / "u.####.exr").string(),
            "--redistort",
            (folder / "r.####.exr").string(),
            "--overscan",
            overscan});
  run_well({"stmap",
            zoom,
            "--focal",
            "37mm",
            "--focus",
            fmt::format("{:.9f}m", focus_at(1003)),
            "--undistort",
            (folder / "one.exr").string(),
            "--overscan",
            overscan,
            "--handoff",
            "none"});
  CHECK(read_text(folder / "u.1003.exr").size() > 1000);
  CHECK(fs::exists(folder / "r.1004.exr"));
  CHECK(largest_difference(pixels_of(folder / "u.1003.exr"), pixels_of(folder / "one.exr")) <
        1e-6F);

  {
    std::ofstream file(folder / "points.csv");
    file << "# image: 256x144\ntrack,frame,x,y\nA,1004,250,10\nA,1001,250,10\nB,1001,,\n";
  }
  run_well({"points",
            zoom,
            (folder / "points.csv").string(),
            "--undistort",
            "--per-frame",
            table,
            "-o",
            (folder / "moved.csv").string()});
  const Result<CsvTable> moved = CsvTable::read(folder / "moved.csv");
  REQUIRE(moved);
  REQUIRE(moved->num_rows() == 3);
  for (const std::size_t row : {std::size_t{0}, std::size_t{1}}) {
    const auto truth = lens::undistort_px(small_zoom(37.0, focus_at(row == 0 ? 1004 : 1001)),
                                          Point2d(250.0, 10.0));
    CHECK(*moved->number(row, 2) == doctest::Approx(truth->x()).epsilon(2e-4));
  }
  CHECK(moved->is_blank(2, 2));
  CHECK(moved->comment("program")->value_or("").starts_with("trueplate "));
}

TEST_CASE(
    "the numbers for a shot whose lens moves: a pinhole for every frame, one overscan for all") {
  const ScratchFolder scratch;
  const fs::path& folder = scratch.path();
  const std::string zoom = gathered(folder);
  write_plates(folder);
  const std::string table = write_table(folder);
  const std::string json = (folder / "shot.json").string();
  const std::string said = run_well({"handoff", zoom, "--per-frame", table, "--json", json}).output;
  const nlohmann::json shot = read_json(json);
  CHECK(shot.at("format") == "trueplate-shot-handoff");
  REQUIRE(shot.at("frames").size() == kNumFrames);
  const nlohmann::json& edges = shot.at("render").at("overscan_px");
  const std::string overscan = fmt::format("{},{},{},{}",
                                           edges.at("left").get<int>(),
                                           edges.at("top").get<int>(),
                                           edges.at("right").get<int>(),
                                           edges.at("bottom").get<int>());
  int widest = 0;
  for (int i = 0; i < kNumFrames; ++i) {
    const nlohmann::json& frame = shot.at("frames")[static_cast<std::size_t>(i)];
    CHECK(frame.at("frame") == 1001 + i);
    // What the frame alone is handed off with.
    std::vector<std::string> alone{"handoff",
                                   zoom,
                                   "--focal",
                                   "37mm",
                                   "--focus",
                                   fmt::format("{:.9f}m", focus_at(1001 + i)),
                                   "--json",
                                   (folder / "one.json").string(),
                                   "--overwrite",
                                   "--quiet"};
    run_well(alone);
    widest = std::max(widest,
                      read_json((folder / "one.json").string())
                          .at("render")
                          .at("overscan_px")
                          .at("left")
                          .get<int>());
    alone.insert(alone.end(), {"--overscan", overscan});
    run_well(alone);
    const nlohmann::json one = read_json((folder / "one.json").string());
    for (const char* who : {"solve", "render"}) {
      for (const char* what : {"focal_px", "principal_point_px", "unit_window", "film_back_mm"}) {
        CAPTURE(what);
        for (const auto& [key, value] : one.at(who).at("camera").at(what).items()) {
          CHECK(frame.at(who).at("camera").at(what).at(key).get<double>() ==
                doctest::Approx(value.get<double>()).epsilon(1e-9));
        }
      }
    }
    CHECK(one.at("render").at("data_window") == shot.at("render").at("data_window"));
  }
  CHECK(edges.at("left") == widest);
  CHECK(said.find("1004") != std::string::npos);
  CHECK(said.find("display 256 x 144") != std::string::npos);

  // Straightened plates and maps come with the same; a part of the shot with that of the whole.
  fs::create_directories(folder / "out");
  run_well({"undistort",
            zoom,
            (folder / "plates/plate.####.exr").string(),
            "--frames",
            "1002",
            "--per-frame",
            table,
            "-o",
            (folder / "out/s.####.exr").string()});
  const nlohmann::json straight = read_json((folder / "out/s.handoff.json").string());
  CHECK(straight.at("frames") == shot.at("frames"));
  CHECK(straight.at("render").at("data_window") == shot.at("render").at("data_window"));
  run_well(
      {"stmap", zoom, "--per-frame", table, "--redistort", (folder / "out/r.####.exr").string()});
  const nlohmann::json maps = read_json((folder / "out/r.handoff.json").string());
  CHECK(maps.at("frames") == shot.at("frames"));
  CHECK(maps.at("comp").at("redistort").at("file") == "r.####.exr");
  CHECK(run_trueplate({"handoff", zoom, "--smooth", "2"}).status == 2);
  CHECK(run_trueplate({"handoff", zoom, "--per-frame", table, "--per-channel"})
            .errors.find("one lens for all colours") != std::string::npos);
}

TEST_CASE("frames whose lens is not told are refused by name") {
  const ScratchFolder scratch;
  const fs::path& folder = scratch.path();
  const std::string zoom = gathered(folder);
  write_plates(folder);
  const std::string plates = (folder / "plates/plate.####.exr").string();
  const std::string out = (folder / "s.####.exr").string();
  const auto refusal = [&](const std::vector<std::string>& more) {
    std::vector<std::string> arguments{"undistort", zoom, plates, "-o", out};
    arguments.insert(arguments.end(), more.begin(), more.end());
    const ProgramResult result = run_trueplate(arguments);
    CHECK(result.status != 0);
    return result.errors;
  };
  const std::string table = (folder / "short.csv").string();
  std::ofstream(table) << "frame,focal,focus\n1001,37,2\n1002,37,2\n";
  CHECK(refusal({"--per-frame", table}).find("no row for frame 1003") != std::string::npos);
  CHECK(refusal({"--smooth", "2"}).find("--smooth goes with --per-frame") != std::string::npos);
  CHECK(refusal({"--per-frame", (folder / "absent.csv").string()}).find("absent.csv") !=
        std::string::npos);
  std::ofstream(table) << "frame,focal,focus\n1001,37,2\n1002,37,2\n1003,99,2\n1004,37,2\n";
  CHECK(refusal({"--per-frame", table}).find("frame 1003: a focal length of 99 mm is beyond") !=
        std::string::npos);
}

TEST_CASE("clips are calibrated and gathered in one go") {
  const ScratchFolder scratch;
  std::vector<std::string> arguments{"calibrate"};
  for (const StationAt& at : {StationAt{24.0, 1.5}, StationAt{35.0, 1.5}, StationAt{50.0, 1.5}}) {
    const lens::Lens truth = true_zoom(at.focal_mm, at.focus_m);
    const Synthetic shoot = synthetic_views(
        truth, {.num_views = 10, .fill = 0.7, .seed = static_cast<unsigned>(at.focal_mm)});
    const fs::path path = scratch.path() / fmt::format("{:g}, near.csv", at.focal_mm);
    const Result<void> written = footage::write_observations(
        path, {.views = shoot.views, .comments = {}}, Overwrite::kAllow);
    REQUIRE_MESSAGE(written, written.error().message);
    arguments.push_back("--clip");
    arguments.push_back(
        fmt::format("{},focal={:g}mm,focus={:g}m", path.string(), at.focal_mm, at.focus_m));
  }
  const std::string zoom = (scratch.path() / "zoom.json").string();
  const std::string json = (scratch.path() / "zoom_report.json").string();
  const std::vector<std::string> rest{"--film-back",
                                      "24.92x14.0175mm",
                                      "--model",
                                      "radial-tangential",
                                      "--chart-shape",
                                      "flat",
                                      "-o",
                                      zoom,
                                      "--json",
                                      json};
  arguments.insert(arguments.end(), rest.begin(), rest.end());
  run_well(arguments);
  const Result<profile::Profile> profile = profile::read_profile(zoom);
  REQUIRE(profile);
  REQUIRE(profile->stations.size() == 3);
  CHECK(profile->stations[1].nominal_focal_mm == 35.0);
  CHECK(profile->stations[1].without_focal_length.has_value());
  CHECK(read_json(json).at("pooled")[0].at("what") == "principal point");

  // The frames of 50 mm under the label 28 mm.
  std::vector<std::string> wrongly = arguments;
  std::string& clip_of_50 = wrongly.at(6);
  clip_of_50.replace(clip_of_50.rfind("focal=50mm"), 10, "focal=28mm");
  wrongly.push_back("--overwrite");
  const auto told = run_well(wrongly);
  CHECK(told.errors.find("station 28 mm, 1.5 m: the focal length measured is ") !=
        std::string::npos);
  CHECK(read_json(json).at("warnings")[0].at("code") == "focal-label-far");
  CHECK(run_well({"info", zoom}).output.find("focal-label-far") != std::string::npos);

  for (const char* clip : {"", "x.csv,zoom=3", "x.csv,focal=", ",focal=35mm", "x.csv,t-stop=nan"}) {
    CAPTURE(clip);
    const ProgramResult wrong =
        run_trueplate({"calibrate", "--clip", clip, "-o", (scratch.path() / "no.json").string()});
    CHECK(wrong.status == 2);
  }
  CHECK(run_trueplate({"calibrate", "-o", (scratch.path() / "no.json").string()}).status == 2);
}

}  // namespace trueplate::tests
