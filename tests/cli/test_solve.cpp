// The trial camera solve as a user meets it: tracks in, table and verdict, camera, USD text and a
// lens profile out. The shot and its truth are those of tests/support/made_shot.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <random>
#include <string>
#include <vector>

#include "calib/profile/profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/made_shot.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using trueplate::tests::lens_of;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::ProgramResult;
using trueplate::tests::run_trueplate;
using trueplate::tests::ScratchFolder;
using trueplate::tests::ShotPlan;

void write(const fs::path& path, const std::string& text) {
  std::ofstream(path, std::ios::binary) << text;
}

std::string text_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

nlohmann::json read_json(const fs::path& path) {
  std::ifstream file(path);
  return nlohmann::json::parse(file);
}

ShotPlan bent_plan() {
  ShotPlan plan{.num_tracks = 60, .num_frames = 24, .travel = 5.0};
  plan.k1 = -0.12;
  return plan;
}

}  // namespace

TEST_CASE("without a profile the verdict is the lens, and the tracks give it") {
  const ScratchFolder scratch;
  const ShotPlan plan = bent_plan();
  const MadeShot shot = make_shot(plan);
  const fs::path tracks = scratch.path() / "tracks.csv";
  write(tracks, trueplate::tests::tracks_csv(shot.tracks));
  const fs::path lens = scratch.path() / "lens.json";
  const fs::path camera = scratch.path() / "camera.json";
  const fs::path usd = scratch.path() / "camera.usda";
  const fs::path result = scratch.path() / "result.json";
  const ProgramResult ran = run_trueplate({"solve",        tracks.string(),
                                           "--focal",      "24mm",
                                           "--film-back",  "24.576x13.824mm",
                                           "-o",           lens.string(),
                                           "--camera",     camera.string(),
                                           "--usd",        usd.string(),
                                           "--scale",      "t0,t1,2.5m",
                                           "--ground",     "t2,t3,t4",
                                           "--origin",     "t2",
                                           "--json",       result.string(),
                                           "--frame-rate", "30000/1001"});
  INFO(ran.errors);
  REQUIRE(ran.status == 0);
  CHECK(ran.errors.empty());
  CHECK(ran.output.find("verdict: lens.") != std::string::npos);
  CHECK(ran.output.find("no lens") != std::string::npos);

  const nlohmann::json json = read_json(result);
  CHECK(json["verdict"] == "lens");
  REQUIRE(json["solves"].size() == 2);
  CHECK(json["solves"][0]["fitted"]["rms_px"] >
        2.0 * json["solves"][1]["fitted"]["rms_px"].get<double>());
  CHECK(json["solves"][1]["tracks"].size() == 60);
  CHECK(json["solves"][1]["residuals"].size() == shot.tracks.points.size());
  CHECK(json["lens"]["determined"] == true);

  const auto profile = trueplate::profile::read_profile(lens);
  REQUIRE_MESSAGE(profile.has_value(), (profile ? "" : profile.error().message));
  const trueplate::profile::Station& station = profile->stations.front();
  CHECK(station.warnings.front().code == "lens-from-tracks");
  const double k1 = trueplate::lens::parameters(station.lens.model)[0];
  const double sigma = *trueplate::profile::sigma(*station.uncertainty, "k1");
  CHECK(std::abs(k1 - plan.k1) < 4.0 * sigma);
  CHECK(*trueplate::profile::sigma(*station.uncertainty, "focal_x_px") == 0.0);
  CHECK(run_trueplate({"info", lens.string()}).status == 0);

  const nlohmann::json placed = read_json(camera);
  CHECK(placed["unit"] == "m");
  CHECK(placed["lens"]["use"] == "lens free");
  CHECK(placed["frames"].size() == 24);
  double squares = 0.0;
  for (int axis = 0; axis < 3; ++axis) {
    const double d = placed["points"][0]["position"][axis].get<double>() -
                     placed["points"][1]["position"][axis].get<double>();
    squares += d * d;
  }
  CHECK(std::sqrt(squares) == doctest::Approx(2.5));
  std::ifstream usd_file(usd);
  const std::string usd_text((std::istreambuf_iterator<char>(usd_file)), {});
  CHECK(usd_text.starts_with("#usda 1.0\n"));
  CHECK(usd_text.find("timeCodesPerSecond = 29.97002997") != std::string::npos);

  // The profile that the tracks gave is then the lens: the same solve is good.
  const ProgramResult again = run_trueplate({"solve", tracks.string(), "--lens", lens.string()});
  CHECK(again.status == 0);
  CHECK(again.output.find("verdict: good.") != std::string::npos);
  CHECK(again.output.find("profile") != std::string::npos);
}

TEST_CASE("a camera with a focal length that the tracks contradict is written with a warning") {
  const ScratchFolder scratch;
  const ShotPlan plan{.num_tracks = 60, .num_frames = 24, .travel = 5.0};
  const fs::path tracks = scratch.path() / "tracks.csv";
  write(tracks, trueplate::tests::tracks_csv(make_shot(plan).tracks));
  const std::string wrong = fmt::format("{}", 1.12 * plan.focal_px);
  const fs::path camera = scratch.path() / "camera.json";
  const ProgramResult ran =
      run_trueplate({"solve", tracks.string(), "--focal-px", wrong, "--camera", camera.string()});
  CHECK(ran.status == 0);
  CHECK(ran.output.find("all free") != std::string::npos);
  CHECK(ran.errors.find("[camera-doubtful]") != std::string::npos);
  CHECK(read_json(camera)["warnings"].back()["code"] == "camera-doubtful");

  const ProgramResult again = run_trueplate({"solve",
                                             tracks.string(),
                                             "--focal-px",
                                             wrong,
                                             "--camera",
                                             camera.string(),
                                             "--camera-lens",
                                             "all-free",
                                             "--overwrite"});
  CHECK(again.status == 0);
  CHECK(again.errors.find("camera-doubtful") == std::string::npos);
  const double focal = read_json(camera)["lens"]["focal_px"]["x"];
  CHECK(std::abs(focal / plan.focal_px - 1.0) < 0.01);

  // Nothing speaks against the true one, so there is no other to write.
  const ProgramResult good = run_trueplate({"solve",
                                            tracks.string(),
                                            "--focal-px",
                                            fmt::format("{}", plan.focal_px),
                                            "--camera",
                                            (scratch.path() / "good.json").string(),
                                            "--camera-lens",
                                            "all-free"});
  CHECK(good.status == 1);
  CHECK(good.errors.find("nothing against the focal length") != std::string::npos);
  CHECK_FALSE(fs::exists(scratch.path() / "good.json"));
}

TEST_CASE("what cannot be done is refused with its reason, and the verdict is there all the same") {
  const ScratchFolder scratch;
  const fs::path tracks = scratch.path() / "tracks.csv";
  const fs::path lens = scratch.path() / "lens.json";
  ShotPlan plan{.num_tracks = 30, .num_frames = 10, .travel = 0.0, .pan = 0.2};
  write(tracks, trueplate::tests::tracks_csv(make_shot(plan).tracks));
  ProgramResult ran =
      run_trueplate({"solve", tracks.string(), "--focal-px", "2000", "-o", lens.string()});
  CHECK(ran.status == 1);
  CHECK(ran.output.find("verdict: pure-rotation.") != std::string::npos);
  CHECK(ran.errors.find("no lens from the tracks") != std::string::npos);
  CHECK(!fs::exists(lens));

  const std::string page = (scratch.path() / "page.html").string();
  ran = run_trueplate({"solve", tracks.string(), "--focal-px", "2000", "--report", page});
  CHECK(ran.status == 0);
  CHECK(text_of(page).find("none solved") != std::string::npos);
  CHECK(text_of(page).find("all solved") == std::string::npos);

  CHECK(run_trueplate({"solve", tracks.string(), "--focal", "35mm"}).status == 2);
  CHECK(run_trueplate({"solve", tracks.string(), "--focal", "35"}).status == 2);
  ran = run_trueplate({"solve", tracks.string(), "--keyframes", "1001,5"});
  CHECK(ran.status == 1);
  CHECK(ran.errors.find("the frames are 1001 to 1010") != std::string::npos);
  ran = run_trueplate({"solve", tracks.string(), "--scale", "t0,nobody,1m"});
  CHECK(ran.status == 2);
  CHECK(ran.errors.find("add --camera FILE or --usd FILE") != std::string::npos);
  const std::string camera = (scratch.path() / "camera.json").string();
  ran = run_trueplate({"solve", tracks.string(), "--scale", "t0,nobody,1m", "--camera", camera});
  CHECK(ran.status == 1);
  CHECK(ran.errors.find("'nobody' is the name of none") != std::string::npos);
  for (const std::vector<std::string>& wrong :
       std::vector<std::vector<std::string>>{{"--scale", "t0,t0,1m"},
                                             {"--ground", "t0,t1,t0"},
                                             {"--camera-lens", "profile"},
                                             {"--usd", (scratch.path() / "camera.txt").string()}}) {
    std::vector<std::string> arguments{"solve", tracks.string(), "--camera", camera};
    arguments.insert(arguments.end(), wrong.begin(), wrong.end());
    ran = run_trueplate(arguments);
    CHECK_MESSAGE(ran.status != 0, wrong.front());
    CHECK_MESSAGE(ran.errors.find(wrong.front()) != std::string::npos, ran.errors);
    // Before the solve, not after it.
    CHECK(ran.output.find("verdict") == std::string::npos);
  }
  ran = run_trueplate({"solve", tracks.string(), "--size", "1280x720"});
  CHECK(ran.status == 1);
  CHECK(ran.errors.find("leave one out") != std::string::npos);
  ran = run_trueplate({"solve", tracks.string(), "--film-back", "36x24mm"});
  CHECK(ran.errors.find("36 x 24 mm") != std::string::npos);
  CHECK(run_trueplate({"solve", (scratch.path() / "none.csv").string()}).status == 1);
  write(tracks, "track,frame,x,y\na,1,2,3\n");
  ran = run_trueplate({"solve", tracks.string()});
  CHECK(ran.status == 1);
  CHECK(ran.errors.find("# image: WIDTHxHEIGHT") != std::string::npos);
  CHECK(ran.errors.find("--size") != std::string::npos);
  ran = run_trueplate({"solve", tracks.string(), "--size", "1920x1080"});
  CHECK(ran.status == 0);
  CHECK(ran.output.find("verdict: too-few-common. There is one frame") != std::string::npos);
  write(tracks, "name,shot frame,u,v\na,1,2,3\n");
  ran = run_trueplate({"solve",
                       tracks.string(),
                       "--size",
                       "1920x1080",
                       "--columns",
                       "track=name,frame=shot frame,x=u,y=v"});
  CHECK(ran.status == 0);
  CHECK(ran.output.find("There is one frame (1)") != std::string::npos);
}

TEST_CASE("a turn with a wrong focal length writes no path, though one is asked for") {
  const ScratchFolder scratch;
  const fs::path tracks = scratch.path() / "tracks.csv";
  const fs::path camera = scratch.path() / "camera.json";
  const fs::path usd = scratch.path() / "camera.usda";
  const ShotPlan plan{.focal_px = 1710.0, .travel = 0.0, .pan = 0.25, .seed = 12};
  write(tracks, trueplate::tests::tracks_csv(make_shot(plan).tracks));
  for (const double off : {0.9, 1.0, 1.06, 1.2}) {
    CAPTURE(off);
    const ProgramResult ran = run_trueplate({"solve",
                                             tracks.string(),
                                             "--focal-px",
                                             std::to_string(off * plan.focal_px),
                                             "--camera",
                                             camera.string(),
                                             "--usd",
                                             usd.string()});
    CHECK(ran.status == 1);
    CHECK_MESSAGE(ran.output.find("verdict: pure-rotation.") != std::string::npos, ran.output);
    CHECK_MESSAGE(ran.errors.find("there is no camera to write") != std::string::npos, ran.errors);
    CHECK(!fs::exists(camera));
    CHECK(!fs::exists(usd));
  }
}

TEST_CASE("points at random: the markers are off, in words, and the program ends in order") {
  const ScratchFolder scratch;
  const fs::path tracks = scratch.path() / "tracks.csv";
  const fs::path result = scratch.path() / "result.json";
  const fs::path lens = scratch.path() / "lens.json";
  for (const unsigned seed : {1U, 2U, 3U}) {
    CAPTURE(seed);
    std::mt19937 random(seed);
    std::uniform_real_distribution<double> share(0.0, 1.0);
    std::string text = "# image: 1920x1080\ntrack,frame,x,y\n";
    for (int track = 0; track < 25; ++track) {
      for (int frame = 1; frame <= 15; ++frame) {
        text += fmt::format(
            "t{},{},{},{}\n", track, frame, 1920.0 * share(random), 1080.0 * share(random));
      }
    }
    write(tracks, text);
    for (const bool focal_is_told : {true, false}) {
      CAPTURE(focal_is_told);
      std::vector<std::string> arguments{
          "solve", tracks.string(), "--json", result.string(), "--overwrite"};
      if (focal_is_told) arguments.insert(arguments.end(), {"--focal-px", "1800"});
      const ProgramResult ran = run_trueplate(arguments);
      CHECK_MESSAGE(ran.status == 0, ran.errors);
      CHECK_MESSAGE(ran.output.find("verdict: markers-off.") != std::string::npos, ran.output);
      CHECK(read_json(result)["verdict"] == "markers-off");
    }
    const ProgramResult ran = run_trueplate({"solve", tracks.string(), "-o", lens.string()});
    CHECK(ran.status == 1);
    CHECK(ran.errors.find("do not determine the lens") != std::string::npos);
    CHECK(!fs::exists(lens));
  }
}
