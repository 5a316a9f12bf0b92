// The command `lines`: from a file of points and from plates to a profile that undistorts, and
// clear refusals of what lines cannot tell.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <random>

#include "calib/base/csv.h"
#include "calib/plate/line_set.h"
#include "calib/profile/profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/field.h"
#include "tests/support/line_scene.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::ProgramResult;
using tests::run_trueplate;
using tests::ScratchFolder;

constexpr int kDone = 0;
constexpr int kFailed = 1;
constexpr int kUsage = 2;
constexpr int kPartly = 3;

bool mentions(const ProgramResult& result, const std::string& words) {
  return result.errors.find(words) != std::string::npos;
}

nlohmann::json json_of(const fs::path& path) {
  std::ifstream file(path);
  return nlohmann::json::parse(file);
}

void write(const fs::path& path, const std::string& text) { std::ofstream(path) << text; }

/// A grey plate as PNG.
void write_plate(const fs::path& path, const Image<float>& picture) {
  footage::Frame frame;
  const Window window{.x = 0, .y = 0, .width = picture.width(), .height = picture.height()};
  frame.windows = {.display = window, .data = window};
  frame.channels = {{"Y", footage::SampleFormat::kUint8}};
  frame.pixels = picture.clone();
  REQUIRE(warp::write_frame(path, frame, {}).has_value());
}

}  // namespace

TEST_CASE("a file of lines becomes a profile marked with what was not measured") {
  const ScratchFolder scratch;
  std::mt19937 random(5);
  const tests::PlumbLens truth{.centre_px = {485.0, 268.0}, .k1 = -0.15};
  plate::LineSet lines = sample_lines(truth, {.num_lines = 25, .noise_px = 0.1}, random);
  // A curve among them.
  plate::LineChain curve{.name = "hose", .frame = "", .points_px = {}};
  for (int i = 0; i < 40; ++i) curve.points_px.emplace_back(100 + 10 * i, 300 + 0.02 * i * i);
  lines.chains.push_back(std::move(curve));
  const fs::path file = scratch.path() / "lines.csv";
  REQUIRE(write_text_file(file, plate::lines_text(lines), Overwrite::kRefuse).has_value());
  const fs::path lens_file = scratch.path() / "lens.json";
  const fs::path json_file = scratch.path() / "result.json";
  // 36 mm for 960 px: 900 px are 33.75 mm.
  const ProgramResult result = run_trueplate({"lines",
                                              file.string(),
                                              "-o",
                                              lens_file.string(),
                                              "--film-back",
                                              "36x20.25mm",
                                              "--focal",
                                              "33.75mm",
                                              "--lens",
                                              "Example prime",
                                              "--json",
                                              json_file.string()});
  INFO(result.errors);
  REQUIRE(result.status == kDone);
  CHECK(result.output.find("hose") != std::string::npos);
  const auto profile = profile::read_profile(lens_file);
  REQUIRE(profile.has_value());
  const profile::Station& station = profile->stations.front();
  CHECK(station.lens.focal_px.x() == doctest::Approx(900.0));
  CHECK(tests::field_error(station.lens, truth.as_lens()).rms_px < 0.2);
  CHECK(profile->labels.lens == "Example prime");
  CHECK_FALSE(profile->chart.has_value());
  CHECK(profile->provenance.method.find("without a chart") != std::string::npos);
  CHECK(profile->provenance.method.find("SHA-256") != std::string::npos);
  const nlohmann::json json = json_of(json_file);
  CHECK(json["lines"].size() == 26);
  CHECK(json["lines"][25]["used"] == false);
  CHECK(json["lines"][25]["reason"].get<std::string>().find("curved") != std::string::npos);
  for (int i = 0; i < 25; ++i) CHECK(json["lines"][i]["after_px"]["rms"] < 0.2);
  CHECK(json["coverage"]["reach"] > 0.5);
  // The profile works where profiles do.
  CHECK(run_trueplate({"info", lens_file.string()}).status == kDone);

  const ProgramResult assumed = run_trueplate(
      {"lines", file.string(), "-o", lens_file.string(), "--overwrite", "--centre", "middle"});
  CHECK(assumed.status == kDone);
  CHECK(mentions(assumed, "was assumed"));
}

TEST_CASE("plates of one lens are joined; their lines are written and drawn") {
  const ScratchFolder scratch;
  const tests::PlumbLens truth{
      .plate_size = {640, 360}, .focal_px = 600.0, .centre_px = {320.0, 180.0}, .k1 = -0.2};
  for (int frame = 0; frame < 2; ++frame) {
    tests::World world{.grey = 0.45, .slabs = {}, .rounds = {}};
    for (int i = 0; i < 5; ++i) {
      world.slabs.push_back({.middle = {330.0, 20.0 + 75.0 * i + 9.0 * frame},
                             .length = 620.0,
                             .width = 22.0,
                             .angle_rad = 0.03 * (i - 2 + frame),
                             .grey = i % 2 == 0 ? 0.85 : 0.15});
    }
    write_plate(
        scratch.path() / fmt::format("plate.{:04}.png", frame + 1),
        photograph(world, truth, {.noise = 0.004, .seed = 1U + static_cast<unsigned>(frame)}));
  }
  Image<float> other(320, 200, 1);
  for (int y = 0; y < 200; ++y) {
    for (int x = 0; x < 320; ++x) other.at(x, y) = y < 90 ? 0.2F : 0.8F;
  }
  const fs::path odd = scratch.path() / "odd.png";
  write_plate(odd, other);
  const fs::path found = scratch.path() / "found";
  const fs::path csv = scratch.path() / "found.csv";
  const fs::path lens_file = scratch.path() / "lens.json";
  const ProgramResult result = run_trueplate({"lines",
                                              (scratch.path() / "plate.####.png").string(),
                                              odd.string(),
                                              "-o",
                                              lens_file.string(),
                                              "--lines",
                                              csv.string(),
                                              "--draw",
                                              found.string()});
  INFO(result.errors);
  REQUIRE(result.status == kPartly);  // a frame of another size is left out
  CHECK(mentions(result, "is 320x200, most frames are 640x360"));
  for (const char* name : {"plate.0001.png", "plate.0002.png", "odd.png"}) {
    CHECK(fs::exists(found / name));
  }
  const auto profile = profile::read_profile(lens_file);
  REQUIRE(profile.has_value());
  const lens::Lens& lens = profile->stations.front().lens;
  const tests::FieldError error = tests::field_error(lens, truth.as_lens());
  MESSAGE(
      fmt::format("two plates: field error {:.3f} px rms, {:.3f} max", error.rms_px, error.max_px));
  CHECK(error.rms_px < 0.5);
  CHECK(profile->provenance.footage.size() == 3);
  CHECK(profile->provenance.footage[0].sha256.size() == 64);
  CHECK_FALSE(profile->provenance.footage[2].used);

  // What was written says by whom, and is read again, to the same lens.
  CHECK(CsvTable::read(csv)->comment("program")->value_or("").starts_with("trueplate "));
  const fs::path again = scratch.path() / "again.json";
  REQUIRE(run_trueplate({"lines", csv.string(), "-o", again.string()}).status == kDone);
  const auto second = profile::read_profile(again);
  REQUIRE(second.has_value());
  CHECK(tests::field_error(second->stations.front().lens, lens).max_px < 1e-6);
}

TEST_CASE("what cannot be done is refused with the reason, and nothing is written") {
  const ScratchFolder scratch;
  const fs::path lens = scratch.path() / "lens.json";
  const fs::path file = scratch.path() / "lines.csv";
  const auto run = [&](const std::string& text, const std::vector<std::string>& more = {}) {
    write(file, text);
    std::vector<std::string> arguments{"lines", file.string(), "-o", lens.string()};
    arguments.insert(arguments.end(), more.begin(), more.end());
    ProgramResult result = run_trueplate(arguments);
    CHECK_FALSE(fs::exists(lens));
    return result;
  };
  const std::string head = "# image: 1920x1080\nline,x,y\n";
  ProgramResult result = run(head + "a,10,10\na,500,11\na,inf,12\n");
  CHECK(result.status == kFailed);
  CHECK(mentions(result, "lines.csv:5"));
  result = run("# image: 1920x1080\n# image: 1280x720\nline,x,y\na,10,10\n");
  CHECK(result.status == kFailed);
  CHECK(mentions(result, "image"));
  result = run(head + "a,10,10\na,500,11\n");
  CHECK(result.status == kFailed);
  CHECK(mentions(result, "wanted 3 or more"));
  result = run("");
  CHECK(result.status == kFailed);
  result = run(head + "a,900,540\na,950,540\na,1000,540.1\na,1050,540\n");
  CHECK(result.status == kFailed);
  CHECK(mentions(result, "leave the distortion open"));
  // A million rows on one short line.
  std::string million = head;
  for (int i = 0; i < 1'000'000; ++i)
    million += fmt::format("a,{},{}\n", 900 + i % 100, 500 + i % 7);
  result = run(million);
  CHECK(result.status == kFailed);
  CHECK(mentions(result, "leave the distortion open"));

  CHECK(run(head, {"--model", "equidistant"}).status == kUsage);
  CHECK(run(head, {"--centre", "left"}).status == kUsage);
  CHECK(run(head, {"--focal", "35mm"}).status == kUsage);
  CHECK(run(head, {"--radial-terms", "3"}).status == kUsage);
  CHECK(run(head, {"--model", "division-2", "--radial-terms", "1"}).status == kUsage);
  result = run(head, {"--frames", "1-3"});
  CHECK(result.status == kUsage);
  CHECK(mentions(result, "--frames picks from a sequence"));
  CHECK(run(head, {"--draw", (scratch.path() / "d").string()}).status == kUsage);
  CHECK(run_trueplate({"lines", "no-such.csv", "-o", lens.string()}).status == kFailed);
}
