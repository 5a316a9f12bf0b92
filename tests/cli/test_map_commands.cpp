// `apply`, `invert` and `compare` on maps of this program and of others: as files without
// attributes, from either origin, in half, reduced, and damaged.

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <limits>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "calib/lens/lens.h"
#include "tests/cli/lens_files.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"
#include "warp/io/st_map_file.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::read_json;
using tests::run_trueplate;
using tests::run_well;

constexpr ImageSize kPlate{256, 150};

lens::Lens barrel(double k1) {
  lens::Lens lens = tests::make_lens(kPlate, {250.0, 250.0}, {4.0, -3.0});
  lens.model = lens::RadialTangential({k1, 0.05, 0.0, 0.0, 0.0});
  return lens;
}

footage::Frame picture_of(const std::vector<std::string>& names,
                          footage::SampleFormat format,
                          const auto& value) {
  footage::Frame frame;
  frame.windows = {{0, 0, kPlate.width, kPlate.height}, {0, 0, kPlate.width, kPlate.height}};
  frame.pixels = Image<float>(kPlate.width, kPlate.height, static_cast<int>(names.size()));
  for (const std::string& name : names) frame.channels.push_back({name, format});
  for (int y = 0; y < kPlate.height; ++y) {
    for (int x = 0; x < kPlate.width; ++x) {
      for (int c = 0; c < frame.pixels.channels(); ++c) frame.pixels.at(x, y, c) = value(x, y, c);
    }
  }
  return frame;
}

footage::Frame plate() {
  return picture_of({"R", "G", "B"}, footage::SampleFormat::kFloat, [](int x, int y, int c) {
    return static_cast<float>((x * 7 + y * 13 + c * 5) % 64);
  });
}

/// A map that shifts by 3 pixels to the right and 2 down, as others write them: no attributes.
footage::Frame shift_map(footage::SampleFormat format, bool from_top) {
  return picture_of({"R", "G", "B"}, format, [&](int x, int y, int c) {
    const float t_top = (static_cast<float>(y) + 0.5F - 2.0F) / kPlate.height;
    if (c == 0) return (static_cast<float>(x) + 0.5F - 3.0F) / kPlate.width;
    return c == 1 ? (from_top ? t_top : 1.0F - t_top) : 0.0F;
  });
}

}  // namespace

TEST_CASE("apply with the map on file makes what undistort makes, and knows it a second time") {
  const tests::ScratchFolder folder;
  const std::string lens = folder.path() / "lens.json";
  tests::write_lens(lens, barrel(-0.2));
  const std::string in = folder.path() / "plate.1001.exr";
  REQUIRE(warp::write_frame(in, plate()));
  const std::string map = folder.path() / "u.exr";
  run_well({"stmap", lens, "--undistort", map, "--handoff", "none"});
  const std::string by_map = folder.path() / "map.1001.exr";
  const std::string by_lens = folder.path() / "lens.1001.exr";
  run_well({"apply", map, in, "-o", by_map});
  run_well({"undistort", lens, in, "-o", by_lens, "--handoff", "none"});
  const auto a = footage::read_frame(by_map);
  const auto b = footage::read_frame(by_lens);
  REQUIRE(a);
  REQUIRE(b);
  CHECK(a->windows.data == b->windows.data);
  REQUIRE(a->pixels.size() == b->pixels.size());
  CHECK(std::equal(a->pixels.data(), a->pixels.data() + a->pixels.size(), b->pixels.data()));

  const std::string json = folder.path() / "again.json";
  run_well({"apply", map, in, "-o", by_map, "--json", json});
  CHECK(read_json(json)["complete"].size() == 1);
  // Another map under the same name is another recipe.
  fs::remove(map);
  fs::remove(lens);
  tests::write_lens(lens, barrel(-0.1));
  run_well({"stmap", lens, "--undistort", map, "--handoff", "none"});
  CHECK(run_trueplate({"apply", map, in, "-o", by_map}).status == 1);
}

TEST_CASE("a map from elsewhere: either origin, float or half") {
  const tests::ScratchFolder folder;
  const std::string in = folder.path() / "plate.exr";
  REQUIRE(warp::write_frame(in, plate()));
  for (const bool from_top : {false, true}) {
    const std::string map = folder.path() / (from_top ? "top.exr" : "bottom.exr");
    const std::string out = folder.path() / (from_top ? "by_top.exr" : "by_bottom.exr");
    const std::string origin = from_top ? "top-left" : "bottom-left";
    REQUIRE(warp::write_frame(map, shift_map(footage::SampleFormat::kFloat, from_top)));
    const auto told = run_trueplate({"apply", map, in, "-o", out});  // the map tells it
    CHECK(told.status == 0);
    CHECK(told.errors.find("t = 0 at the " + origin + ", as it grows") != std::string::npos);
    const auto wrong = run_trueplate({"invert",
                                      map,
                                      "-o",
                                      folder.path() / ("inverse of " + origin + ".exr"),
                                      "--origin",
                                      from_top ? "bottom-left" : "top-left"});
    CHECK(wrong.errors.find("seems to count from the " + origin) != std::string::npos);
    const auto made = footage::read_frame(out);
    REQUIRE(made);
    for (const int x : {40, 128, 200}) {
      CHECK(made->pixels.at(x, 70, 1) ==
            doctest::Approx(plate().pixels.at(x - 3, 68, 1)).epsilon(1e-3));
    }
  }
  const std::string half = folder.path() / "half.exr";
  REQUIRE(warp::write_frame(half, shift_map(footage::SampleFormat::kHalf, false)));
  const auto told = run_trueplate({"apply", half, in, "-o", folder.path() / "by_half.exr"});
  CHECK(told.status == 0);
  CHECK(told.errors.find("16-bit half") != std::string::npos);
}

TEST_CASE("a map in a layer of its own") {
  const tests::ScratchFolder folder;
  const std::string in = folder.path() / "plate.exr";
  REQUIRE(warp::write_frame(in, plate()));
  footage::Frame shift = shift_map(footage::SampleFormat::kFloat, false);
  shift.channels[0].name = "warp.x";
  shift.channels[1].name = "warp.y";
  const std::string map = folder.path() / "map.exr";
  const std::string out = folder.path() / "out.exr";
  REQUIRE(warp::write_frame(map, shift));
  const auto refused = run_trueplate({"apply", map, in, "-o", out});
  CHECK(refused.status == 1);
  CHECK(refused.errors.find("warp.x, warp.y") != std::string::npos);
  run_well({"apply", map, in, "-o", out, "--map-channels", "warp"});
  const auto made = footage::read_frame(out);
  REQUIRE(made);
  CHECK(made->pixels.at(128, 70, 1) ==
        doctest::Approx(plate().pixels.at(125, 68, 1)).epsilon(1e-3));
}

TEST_CASE("invert and compare") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  tests::write_lens(path("lens.json"), barrel(-0.2));
  tests::write_lens(path("other.json"), barrel(-0.21));
  run_well({"stmap",
            path("lens.json"),
            "--undistort",
            path("u.exr"),
            "--redistort",
            path("r.exr"),
            "--handoff",
            "none"});
  run_well({"invert", path("u.exr"), "-o", path("bend.exr"), "--overscan", "none"});
  run_well({"compare", path("bend.exr"), path("r.exr"), "--json", path("c.json")});
  const auto found = read_json(path("c.json"));
  CHECK(found["largest_px"].get<double>() < 1e-3);
  CHECK(found["only_one"].get<int>() == 0);
  run_well({"invert", path("r.exr"), "-o", path("straight.exr")});
  run_well({"compare", path("straight.exr"), path("u.exr"), "--json", path("d.json")});
  CHECK(read_json(path("d.json"))["largest_px"].get<double>() < 1e-3);

  // Of two profiles: where the same ray lies, the corner's radius r from the axis being
  // largest: f r^3 0.01 with (r f)^2 = 132^2 + 78^2 for the corner farthest from it.
  run_well({"compare", path("lens.json"), path("other.json"), "--json", path("p.json")});
  const double r = std::hypot(132.0 - 0.5, 78.0 - 0.5) / 250.0;
  CHECK(read_json(path("p.json"))["largest_px"].get<double>() ==
        doctest::Approx(250.0 * 0.01 * r * r * r).epsilon(0.01));
  CHECK(run_trueplate({"compare", path("lens.json"), path("u.exr")}).status == 2);
}

TEST_CASE("compare says when one map straightens and the other bends") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  tests::write_lens(path("lens.json"), barrel(-0.2));
  run_well({"stmap",
            path("lens.json"),
            "--undistort",
            path("u.exr"),
            "--redistort",
            path("r.exr"),
            "--overscan",
            "none",
            "--handoff",
            "none"});
  // The same maps from somebody who does not state which is which.
  for (const char* name : {"u", "r"}) {
    auto map = footage::read_frame(folder.path() / (std::string(name) + ".exr"));
    REQUIRE(map);
    map->metadata = nullptr;
    REQUIRE(warp::write_frame(folder.path() / (std::string("bare_") + name + ".exr"), *map));
  }
  // What is doubtful is said of the file it is about, and once where it is of both.
  const auto told = run_trueplate({"compare", path("bare_u.exr"), path("u.exr")}).errors;
  CHECK(told.find(path("bare_u.exr") + ": the map does not state") != std::string::npos);
  const auto of_both = run_trueplate({"compare", path("bare_u.exr"), path("bare_u.exr")}).errors;
  CHECK(of_both.find(path("bare_u.exr") + " and " + path("bare_u.exr") + ": the map does not") !=
        std::string::npos);
  CHECK(of_both.find("does not state") == of_both.rfind("does not state"));

  const auto code_of = [&](const char* a, const char* b) {
    fs::remove(path("c.json"));
    run_well({"compare", path(a), path(b), "--json", path("c.json")});
    std::string codes;
    const auto report = read_json(path("c.json"));
    for (const auto& warning : report["warnings"]) {
      codes += warning["code"].get<std::string>() + " ";
      if (warning["code"] == "opposite-maps") CHECK(warning["value"].get<double>() < -0.9);
    }
    return codes;
  };
  CHECK(code_of("u.exr", "r.exr") == "opposite-maps ");
  CHECK(code_of("u.exr", "u.exr").empty());
  CHECK(code_of("bare_u.exr", "bare_r.exr").find("opposite-maps") != std::string::npos);
  CHECK(code_of("bare_u.exr", "u.exr").find("opposite-maps") == std::string::npos);
}

TEST_CASE("damaged and hostile maps: a reason, a status, nothing left") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  REQUIRE(warp::write_frame(path("plate.exr"), plate()));
  REQUIRE(warp::write_frame(path("map.exr"), shift_map(footage::SampleFormat::kFloat, false)));
  fs::copy_file(path("map.exr"), path("cut.exr"));
  fs::resize_file(path("cut.exr"), fs::file_size(path("cut.exr")) / 2);
  std::ofstream(path("text.exr")) << "no picture";
  REQUIRE(warp::write_frame(
      path("nan.exr"), picture_of({"R", "G"}, footage::SampleFormat::kFloat, [](int, int, int) {
        return std::numeric_limits<float>::quiet_NaN();
      })));
  for (const char* map : {"cut.exr", "text.exr", "gone.exr"}) {
    CAPTURE(map);
    const auto applied =
        run_trueplate({"apply", path(map), path("plate.exr"), "-o", path("o.exr")});
    CHECK(applied.status == 1);
    CHECK(applied.errors.find(map) != std::string::npos);
    CHECK(run_trueplate({"invert", path(map), "-o", path("o.exr")}).status == 1);
    CHECK(run_trueplate({"compare", path(map), path("map.exr")}).status == 1);
    CHECK_FALSE(fs::exists(path("o.exr")));
  }
  // A map without a source is a map: the picture is black.
  CHECK(run_trueplate({"apply", path("nan.exr"), path("plate.exr"), "-o", path("black.exr")})
            .status == 0);
  CHECK(run_trueplate({"invert", path("nan.exr"), "-o", path("o.exr")}).status == 1);
  CHECK(run_trueplate({"compare", path("nan.exr"), path("map.exr")}).status == 1);
  for (const std::vector<std::string>& wrong :
       {std::vector<std::string>{
            "apply", path("map.exr"), path("plate.exr"), "-o", path("o.exr"), "--origin", "left"},
        {"invert", path("map.exr"), "-o", path("o.tif")},
        {"invert", path("map.exr"), "-o", path("o.exr"), "--source", "0x7"},
        {"invert", path("map.exr"), "-o", path("o.exr"), "--overscan", "8%"}}) {
    CHECK(run_trueplate(wrong).status == 2);
  }
  CHECK(run_trueplate({"invert", path("map.exr"), "-o", path("map.exr"), "--overwrite"}).status ==
        1);
}

TEST_CASE("what is said of a map counts against its header, with a warning") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  tests::write_lens(folder.path() / "lens.json", barrel(-0.2));
  REQUIRE(warp::write_frame(path("plate.exr"), plate()));
  const auto pixels = [&](const char* name) {
    const auto frame = footage::read_frame(path(name));
    REQUIRE(frame);
    return std::vector<float>(frame->pixels.data(), frame->pixels.data() + frame->pixels.size());
  };
  // A map from the top whose header says bottom: the attribute is replaced, which no program of
  // ours would do.
  run_well({"stmap", path("lens.json"), "--undistort", path("top.exr"), "--origin", "top-left"});
  auto lying = warp::read_st_map(path("top.exr"));
  REQUIRE(lying);
  lying->map.t_origin = warp::TOrigin::kBottomLeft;
  REQUIRE(warp::write_st_map(path("lying.exr"), lying->map));
  run_well({"apply", path("top.exr"), path("plate.exr"), "-o", path("right.exr")});
  const auto told = run_well({"apply",
                              path("lying.exr"),
                              path("plate.exr"),
                              "-o",
                              path("mended.exr"),
                              "--origin",
                              "top-left"});
  CHECK(told.errors.find("t = 0 at the bottom-left, --origin says t = 0 at the top-left") !=
        std::string::npos);
  CHECK(pixels("mended.exr") == pixels("right.exr"));
  const auto believed =
      run_well({"apply", path("lying.exr"), path("plate.exr"), "-o", path("believed.exr")});
  CHECK(believed.errors.find("its header says") != std::string::npos);
  CHECK(pixels("believed.exr") != pixels("right.exr"));
  const auto other = run_well({"invert",
                               path("top.exr"),
                               "-o",
                               path("inverse.exr"),
                               "--direction",
                               "redistort",
                               "--source",
                               "512x300"});
  CHECK(other.errors.find("header says undistort, --direction says redistort") !=
        std::string::npos);
  CHECK(other.errors.find("256x150 pixels, --source says a source of 512x300") !=
        std::string::npos);
  CHECK(warp::read_st_map(path("inverse.exr"))->map.direction == warp::MapDirection::kUndistort);
  // Said again as it is, nothing is overruled; of two maps it is said of the one that is silent.
  const auto same = run_well({"invert",
                              path("top.exr"),
                              "-o",
                              path("again.exr"),
                              "--direction",
                              "undistort",
                              "--source",
                              "256x150",
                              "--origin",
                              "top-left"});
  CHECK(same.errors.empty());
  run_well({"stmap", path("lens.json"), "--undistort", path("bottom.exr"), "--overwrite"});
  const auto compared =
      run_well({"compare", path("top.exr"), path("bottom.exr"), "--origin", "top-left"});
  CHECK(compared.errors.find("--origin") == std::string::npos);
}

TEST_CASE("what is no map, and maps of no lens: said by name, with what is wrong") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  tests::write_lens(folder.path() / "lens.json", barrel(-0.2));
  REQUIRE(warp::write_frame(path("plate.exr"), plate()));
  const auto made = [&](const char* name, const auto& value) {
    REQUIRE(warp::write_frame(path(name),
                              picture_of({"R", "G"}, footage::SampleFormat::kFloat, value)));
  };
  const auto s = [](int x) { return (static_cast<float>(x) + 0.5F) / kPlate.width; };
  const auto t = [](int y) { return 1.0F - (static_cast<float>(y) + 0.5F) / kPlate.height; };
  made("map.exr", [&](int x, int y, int c) { return c == 0 ? s(x) : t(y); });
  made("nowhere.exr", [](int, int, int) { return std::numeric_limits<float>::quiet_NaN(); });
  made("moves.exr", [&](int x, int y, int c) {  // displacements of a barrel
    const float u = s(x) - 0.5F;
    const float v = t(y) - 0.5F;
    return -0.1F * (u * u + v * v) * (c == 0 ? u : v);
  });
  made("picture.exr", [](int x, int y, int c) {
    return static_cast<float>((x * 29 + y * 13 + c * 5) % 64) / 64.0F;
  });
  made("mirror.exr", [&](int x, int y, int c) { return c == 0 ? 1.0F - s(x) : t(y); });
  made("turned.exr", [&](int x, int y, int c) { return c == 0 ? 1.0F - t(y) : s(x); });
  made("counts.exr",
       [&](int x, int y, int c) { return static_cast<float>(c == 0 ? x : y) + 0.5F; });
  struct Case {
    const char* map;
    const char* applied;    // what `apply` warns of
    const char* converted;  // why `convert` refuses
  };
  for (const Case& one : {Case{"picture.exr", "neither s nor t grows", "neither s nor t grows"},
                          Case{"nowhere.exr", "no pixel of the map", "no pixel of the map"},
                          Case{"moves.exr", "displacements", "displacements"},
                          Case{"mirror.exr", "", "mirrors the picture"},
                          Case{"turned.exr", "", "on its side"},
                          Case{"counts.exr", "counts pixels", "counts pixels"}}) {
    CAPTURE(one.map);
    const auto applied =
        run_well({"apply", path(one.map), path("plate.exr"), "-o", path("out.exr"), "--overwrite"});
    CHECK(applied.errors.find(one.applied) != std::string::npos);
    if (*one.applied == 0) CHECK(applied.errors.find("is not an ST-map") == std::string::npos);
    const auto converted = run_trueplate({"convert", path(one.map), path("no.json")});
    CHECK(converted.status == 1);
    CHECK(converted.errors.find(std::string(one.map) + ": not the map of a lens") !=
          std::string::npos);
    CHECK(converted.errors.find(one.converted) != std::string::npos);
    CHECK_FALSE(fs::exists(path("no.json")));
  }
  const auto good = run_well({"apply", path("map.exr"), path("plate.exr"), "-o", path("good.exr")});
  CHECK(good.errors.find("no-") == std::string::npos);
  // Map and picture exchanged, and maps for profiles.
  run_well({"stmap", path("lens.json"), "--undistort", path("u.exr")});
  const auto exchanged = run_well({"apply", path("map.exr"), path("u.exr"), "-o", path("x.exr")});
  CHECK(exchanged.errors.find("u.exr: its header says that it is an ST-map") != std::string::npos);
  const auto profile =
      run_trueplate({"undistort", path("u.exr"), path("plate.exr"), "-o", path("y.exr")});
  CHECK(profile.status == 1);
  CHECK(profile.errors.find("wanted a lens profile") != std::string::npos);
  CHECK(profile.errors.find("`apply`") != std::string::npos);
  const auto map =
      run_trueplate({"apply", path("lens.json"), path("plate.exr"), "-o", path("y.exr")});
  CHECK(map.status == 2);
  CHECK(map.errors.find("`undistort`") != std::string::npos);
  CHECK_FALSE(fs::exists(path("y.exr")));
}

TEST_CASE("a map becomes a lens profile, and fits another format") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  const lens::Lens lens = barrel(-0.2);
  tests::write_lens(folder.path() / "lens.json", lens);
  run_well(
      {"stmap", path("lens.json"), "--undistort", path("u.exr"), "--redistort", path("r.exr")});
  // From either map the lens comes back, and its maps are those again to 0.01 px.
  for (const char* map : {"u.exr", "r.exr"}) {
    CAPTURE(map);
    run_well({"convert",
              path(map),
              path("back.json"),
              "--serial",
              "V-1",
              "--json",
              path("report.json"),
              "--overwrite"});
    const auto report = read_json(path("report.json"));
    CHECK(report["max_px"].get<double>() < 0.01);
    CHECK(report["warnings"][0]["code"] == "focal-assumed");
    run_well({"stmap",
              path("back.json"),
              "--undistort",
              path("u2.exr"),
              "--redistort",
              path("r2.exr"),
              "--overwrite"});
    run_well({"compare", path("r.exr"), path("r2.exr"), "--json", path("d.json"), "--overwrite"});
    CHECK(read_json(path("d.json"))["largest_px"].get<double>() < 0.02);
  }
  // With the focal length known the coefficients are those of the lens.
  run_well({"convert",
            path("u.exr"),
            path("known.json"),
            "--model",
            "radial-tangential",
            "--film-back",
            "25.6x15mm",
            "--focal",
            "25mm"});
  const auto known = read_json(path("known.json"));
  CHECK(known["stations"][0]["lens"]["coefficients"]["k1"].get<double>() ==
        doctest::Approx(-0.2).epsilon(1e-2));
  CHECK(known["provenance"]["footage"][0]["name"] == "u.exr");

  // A map of half the size, and the map of the lens for that size.
  run_well({"reformat", path("r.exr"), "-o", path("half.exr"), "--size", "128x75"});
  run_well({"stmap", path("lens.json"), "--redistort", path("r128.exr"), "--size", "128x75"});
  run_well({"compare", path("half.exr"), path("r128.exr"), "--json", path("s.json")});
  CHECK(read_json(path("s.json"))["largest_px"].get<double>() < 1e-3);
  run_well({"reformat",
            path("r.exr"),
            "-o",
            path("crop.exr"),
            "--crop",
            "16,10,200x100",
            "--output-origin",
            "top-left"});

  for (const std::vector<std::string>& wrong : {std::vector<std::string>{"--crop", "200,0,100x100"},
                                                {"--crop", "a,b,c"},
                                                {"--size", "0x9"}}) {
    std::vector<std::string> arguments{"reformat", path("r.exr"), "-o", path("no.exr")};
    arguments.insert(arguments.end(), wrong.begin(), wrong.end());
    CHECK(run_trueplate(arguments).status != 0);
    CHECK_FALSE(fs::exists(path("no.exr")));
  }
  CHECK(run_trueplate({"convert", path("lens.json"), path("no.json")}).status == 2);
  CHECK(run_trueplate({"convert", path("u.exr"), path("no.json"), "--model", "wide"}).status == 2);
  CHECK(run_trueplate({"convert", path("u.exr"), path("no.json"), "--direction", "up"}).status ==
        2);
  CHECK_FALSE(fs::exists(path("no.json")));
}
