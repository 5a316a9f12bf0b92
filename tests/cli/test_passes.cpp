// Files of several parts through the program: what goes in comes out, by the rules it reports.

#include <doctest/doctest.h>

#include <bit>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <set>
#include <string>
#include <vector>

#include "calib/profile/profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"

using namespace trueplate;
using footage::SampleFormat;
using tests::ProgramResult;
using tests::run_trueplate;

namespace {

namespace fs = std::filesystem;

std::string write_lens(const fs::path& path) {
  profile::Profile profile;
  profile::Station station;
  station.lens.plate_size = {96, 64};
  station.lens.focal_px = {90.0, 90.0};
  station.lens.principal_point_px = {48.0, 32.0};
  station.lens.model = lens::RadialTangential({-0.2, 0.05, 0.0, 0.0, 0.0});
  profile.stations.push_back(std::move(station));
  profile.provenance.created = "2031-05-04T10:20:30Z";
  profile.provenance.program = "a test";
  profile.provenance.program_version = "1";
  profile.provenance.method = "made up";
  const Result<void> written = profile::write_profile(path, profile, Overwrite::kRefuse);
  CAPTURE((written ? std::string() : written.error().message));
  REQUIRE(written);
  return path.string();
}

/// Colour and alpha; depth and numbers in a part of their own.
void write_cg(const fs::path& path) {
  footage::Frame frame;
  frame.name = "beauty";
  frame.windows = {{0, 0, 96, 64}, {-10, -8, 116, 80}};
  frame.channels = {{"R", SampleFormat::kHalf},
                    {"G", SampleFormat::kHalf},
                    {"B", SampleFormat::kHalf},
                    {"A", SampleFormat::kHalf}};
  frame.pixels = Image<float>(116, 80, 4);
  frame.pixels.fill(0.5F);
  footage::Part data;
  data.name = "data";
  data.windows = frame.windows;
  data.channels = {{"id", SampleFormat::kUint32}, {"Z", SampleFormat::kFloat}};
  data.pixels = Image<float>(116, 80, 2);
  for (int y = 0; y < 80; ++y) {
    for (int x = 0; x < 116; ++x) {
      data.pixels.at(x, y, 0) = footage::float_of_id(x < 50 ? 0xFFFFFFFFU : 7U);
      data.pixels.at(x, y, 1) = x < 50 ? 1.0F : 1000.0F;
    }
  }
  frame.further_parts.push_back(std::move(data));
  REQUIRE(warp::write_frame(path, frame));
}

}  // namespace

TEST_CASE("parts, IDs and depth through redistort, and what is said of them") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  const std::string lens = write_lens(path("lens.json"));
  write_cg(path("cg.exr"));
  const ProgramResult done = run_trueplate(
      {"redistort", lens, path("cg.exr"), "-o", path("bent.exr"), "--json", path("done.json")});
  CAPTURE(done.errors);
  REQUIRE(done.status == 0);
  CHECK(done.output.find("not filtered: nearest: data.id; surface: data.Z\n") != std::string::npos);
  std::ifstream stream(path("done.json"));
  const nlohmann::json json = nlohmann::json::parse(stream);
  REQUIRE(json["channels"].size() == 6);
  std::set<std::string> rules;
  for (const auto& entry : json["channels"]) {
    rules.insert(entry["part"].get<std::string>() + "." + entry["channel"].get<std::string>() +
                 ": " + entry["rule"].get<std::string>() + ", " + entry["why"].get<std::string>());
  }
  CHECK(rules.contains("beauty.A: filter, colour"));
  CHECK(rules.contains("data.id: nearest, unsigned integers"));
  CHECK(rules.contains("data.Z: surface, called 'z', of a surface"));

  const auto bent = footage::read_frame(path("bent.exr"), {.parts = footage::Parts::kAll});
  REQUIRE(bent);
  REQUIRE(bent->num_parts() == 2);
  const footage::Part& data = bent->part(1);
  CHECK(data.name == "data");
  CHECK(data.windows.data == Window{0, 0, 96, 64});
  const bool id_first = data.channels[0].name == "id";
  std::set<std::uint32_t> ids;
  std::set<float> depths;
  for (int y = 0; y < 64; ++y) {
    for (int x = 0; x < 96; ++x) {
      ids.insert(footage::id_of(data.pixels.at(x, y, id_first ? 0 : 1)));
      depths.insert(data.pixels.at(x, y, id_first ? 1 : 0));
    }
  }
  CHECK(ids == std::set<std::uint32_t>{7U, 0xFFFFFFFFU});
  CHECK(depths == std::set<float>{1.0F, 1000.0F});

  // A compression that changes numbers is kept from them, and from no other part.
  const ProgramResult lossy = run_trueplate(
      {"redistort", lens, path("cg.exr"), "-o", path("lossy.exr"), "--compression", "b44"});
  CHECK(lossy.status == 0);
  CHECK(lossy.errors.find("b44 changes numbers, which would spoil ") != std::string::npos);
  CHECK(lossy.errors.find("part data was compressed by zip") != std::string::npos);
  CHECK(lossy.errors.find("part beauty was") == std::string::npos);
  const auto kept = footage::read_frame(path("lossy.exr"), {.parts = footage::Parts::kAll});
  REQUIRE(kept);
  CHECK(std::equal(kept->part(1).pixels.data(),
                   kept->part(1).pixels.data() + kept->part(1).pixels.size(),
                   data.pixels.data(),
                   [](float a, float b) { return footage::id_of(a) == footage::id_of(b); }));

  // Asked for otherwise, depth is filtered, and mixes.
  REQUIRE(run_trueplate({"redistort",
                         lens,
                         path("cg.exr"),
                         "-o",
                         path("mixed.exr"),
                         "--pass",
                         "data.Z=filter",
                         "--pass",
                         "id=nearest",
                         "--edge",
                         "hold",
                         "--ringing",
                         "limit",
                         "--motion-y",
                         "down",
                         "--filter",
                         "area",
                         "--unpremultiplied"})
              .status == 0);
  const auto mixed = footage::read_frame(path("mixed.exr"), {.parts = footage::Parts::kAll});
  REQUIRE(mixed);
  depths.clear();
  for (int x = 0; x < 96; ++x) depths.insert(mixed->part(1).pixels.at(x, 30, id_first ? 1 : 0));
  CHECK(depths.size() > 2);
}

TEST_CASE("names of channels from a file can drive no terminal and break no line") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  const std::string lens = write_lens(path("lens.json"));
  footage::Frame frame;
  frame.windows = {{0, 0, 96, 64}, {0, 0, 96, 64}};
  frame.pixels = Image<float>(96, 64, 2);
  frame.pixels.fill(0.5F);
  frame.channels = {{"R", footage::SampleFormat::kHalf},
                    {"depth\n\x1b[2Jdone.Z", footage::SampleFormat::kHalf}};
  REQUIRE(warp::write_frame(path("odd.exr"), frame));
  const ProgramResult done =
      run_trueplate({"undistort", lens, path("odd.exr"), "-o", path("straight.exr")});
  CHECK(done.status == 0);
  CHECK(done.output.find("surface: depth \xEF\xBF\xBD[2Jdone.Z") != std::string::npos);
  for (const std::string& text : {done.output, done.errors}) {
    CHECK(text.find('\x1b') == std::string::npos);
  }
}

TEST_CASE("wrong words about passes end with status 2 and say what fits") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  const std::string lens = write_lens(path("lens.json"));
  write_cg(path("cg.exr"));
  const auto refused = [&](const std::vector<std::string>& words, const std::string& reason) {
    std::vector<std::string> arguments{"undistort", lens, path("cg.exr"), "-o", path("never.exr")};
    arguments.insert(arguments.end(), words.begin(), words.end());
    const ProgramResult result = run_trueplate(arguments);
    CAPTURE(result.errors);
    CHECK(result.status == 2);
    CHECK(result.errors.find(reason) != std::string::npos);
    CHECK_FALSE(fs::exists(path("never.exr")));
  };
  refused({"--pass", "data.Y=nearest"}, "no channel fits 'data.Y'; the nearest name is 'data.Z'");
  refused({"--pass", "Z=nearby"}, "filter, nearest, surface or motion");
  refused({"--pass", "Z"}, "PATTERN=RULE");
  refused({"--edge", "wrap"}, "known: black, hold, mirror");
  refused({"--ringing", "none"}, "known: allow, limit");
  refused({"--motion-y", "left"}, "known: up, down");
  refused({"--filter", "box"}, "known: bilinear, cubic, lanczos, area");
  // Known only when the channels are looked at: the frame fails.
  const ProgramResult numbers = run_trueplate(
      {"undistort", lens, path("cg.exr"), "-o", path("never.exr"), "--pass", "id=filter"});
  CHECK(numbers.status == 1);
  CHECK(numbers.errors.find("only nearest keeps them") != std::string::npos);
  CHECK(numbers.errors.find(path("cg.exr") + ": ") != std::string::npos);
  CHECK_FALSE(fs::exists(path("never.exr")));
}

TEST_CASE("an option that has changed nothing is named") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  const std::string lens = write_lens(path("lens.json"));
  footage::Frame frame;
  frame.windows = {{0, 0, 96, 64}, {0, 0, 96, 64}};
  frame.pixels = Image<float>(96, 64, 2);
  frame.pixels.fill(0.5F);
  frame.channels = {{"motion.x", footage::SampleFormat::kHalf},
                    {"motion.y", footage::SampleFormat::kHalf}};
  REQUIRE(warp::write_frame(path("motion.exr"), frame));
  frame.channels = {{"R", footage::SampleFormat::kHalf}, {"G", footage::SampleFormat::kHalf}};
  REQUIRE(warp::write_frame(path("colour.exr"), frame));
  const auto errors_of = [&](const char* input, const std::vector<std::string>& words) {
    std::vector<std::string> arguments{
        "undistort", lens, path(input), "-o", path("out.exr"), "--overwrite"};
    arguments.insert(arguments.end(), words.begin(), words.end());
    const ProgramResult result = run_trueplate(arguments);
    CHECK(result.status == 0);
    return result.errors;
  };
  const std::string unused = "--motion-y: no channel was taken for motion";
  CHECK(errors_of("colour.exr", {"--motion-y", "down"}).find(unused) != std::string::npos);
  CHECK(errors_of("motion.exr", {"--motion-y", "down"}).find(unused) == std::string::npos);
  CHECK(errors_of("colour.exr", {}).find(unused) == std::string::npos);
}

TEST_CASE("a file of several parts cut short is named, and the others are done") {
  const tests::ScratchFolder folder;
  const std::string lens = write_lens(folder.path() / "lens.json");
  write_cg(folder.path() / "cg.1.exr");
  write_cg(folder.path() / "cg.2.exr");
  fs::resize_file(folder.path() / "cg.2.exr", fs::file_size(folder.path() / "cg.2.exr") / 2);
  const ProgramResult result = run_trueplate({"redistort",
                                              lens,
                                              (folder.path() / "cg.#.exr").string(),
                                              "-o",
                                              (folder.path() / "out.#.exr").string()});
  CHECK(result.status == 3);
  const std::string damaged = "cg.2.exr: damaged or incomplete";
  const std::size_t named = result.errors.find(damaged);
  REQUIRE(named != std::string::npos);
  // The library says the name again, in each of its layers.
  CHECK(result.errors.find("cg.2.exr", named + damaged.size()) == std::string::npos);
  CHECK(result.errors.find("image file") == std::string::npos);
  CHECK(fs::exists(folder.path() / "out.1.exr"));
  CHECK_FALSE(fs::exists(folder.path() / "out.2.exr"));
}
