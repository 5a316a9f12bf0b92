// What `handoff` says and what undistort and stmap write of it: names, agreement, refusals. That
// the numbers are right is test_handoff_scene.

#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <utility>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/cli/lens_files.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using nlohmann::json;
using tests::frame_of;
using tests::ProgramResult;
using tests::read_json;
using tests::read_text;
using tests::run_trueplate;
using tests::run_well;
using tests::size_of;
using tests::window_of;
using tests::write_frame;

lens::Lens spherical() {
  lens::Lens lens = tests::make_lens({640, 360}, {620.0, 620.4}, {1.3, -0.7});
  lens.film_back = lens::FilmBack{24.89, 14.0};
  lens.model = lens::RadialTangential({-0.16, 0.04, -0.005, 0.0012, -0.0008});
  return lens;
}

std::vector<std::string> names_in(const fs::path& folder) {
  std::vector<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) names.push_back(entry.path().filename());
  std::sort(names.begin(), names.end());
  return names;
}

/// A folder with a lens and two grey plates of it.
struct Desk {
  tests::ScratchFolder scratch;
  fs::path folder = scratch.path();
  std::string lens = (folder / "lens.json").string();
  std::string plates = (folder / "plate.####.exr").string();
  fs::path out = folder / "out";

  explicit Desk(const lens::Lens& given = spherical()) {
    tests::write_lens(lens, given);
    for (const char* name : {"plate.0001.exr", "plate.0002.exr"}) write_plate(name, {40, 7});
    fs::create_directory(out);
  }
  void write_plate(const char* name, Point2d origin) const {
    const Window window{.x = static_cast<int>(origin.x()),
                        .y = static_cast<int>(origin.y()),
                        .width = 640,
                        .height = 360};
    Image<float> grey(640, 360, 1);
    grey.fill(0.5F);
    write_frame(folder / name, frame_of(std::move(grey), {window, window}));
  }
  [[nodiscard]] std::vector<std::string> undistort(const std::string& output) const {
    return {"undistort", lens, plates, "-o", (out / output).string()};
  }
};

std::vector<std::string> with(std::vector<std::string> arguments,
                              const std::vector<std::string>& more) {
  arguments.insert(arguments.end(), more.begin(), more.end());
  return arguments;
}

}  // namespace

TEST_CASE("undistort and stmap write the numbers of handoff beside their output") {
  const Desk desk;
  run_well(desk.undistort("straight.####.exr"));
  run_well({"stmap",
            desk.lens,
            "--undistort",
            (desk.out / "u.exr").string(),
            "--redistort",
            (desk.out / "r.exr").string()});
  run_well({"handoff", desk.lens, "--json", (desk.out / "asked.json").string(), "--quiet"});
  CHECK(names_in(desk.out) == std::vector<std::string>{"asked.json",
                                                       "r.exr",
                                                       "straight.0001.exr",
                                                       "straight.0002.exr",
                                                       "straight.handoff.json",
                                                       "straight.handoff.txt",
                                                       "u.exr",
                                                       "u.handoff.json",
                                                       "u.handoff.txt"});
  json asked = read_json(desk.out / "asked.json");
  json of_maps = read_json(desk.out / "u.handoff.json");
  CHECK(of_maps.at("comp").at("undistort").at("file") == "u.exr");
  CHECK(of_maps.at("comp").at("redistort").at("file") == "r.exr");
  for (const char* map : {"undistort", "redistort"}) of_maps["comp"][map]["file"] = nullptr;
  CHECK(of_maps == asked);

  // The frames have the windows that the numbers say, in the plate's own place.
  const json of_frames = read_json(desk.out / "straight.handoff.json");
  const auto frame = footage::read_frame_header(desk.out / "straight.0001.exr");
  REQUIRE(frame);
  CHECK(frame->windows.display == Window{40, 7, 640, 360});
  CHECK(window_of(of_frames.at("render").at("display_window")) == frame->windows.display);
  CHECK(window_of(of_frames.at("render").at("data_window")) == frame->windows.data);
  CHECK(of_frames.at("render").at("camera") == asked.at("render").at("camera"));
  const auto map = footage::read_frame_header(desk.out / "u.exr");
  REQUIRE(map);
  CHECK(map->windows.data.size() == frame->windows.data.size());
}

TEST_CASE("names of the files: by pattern, folder, single file, by request, or none") {
  const Desk desk;
  const auto made_by = [&](const std::vector<std::string>& arguments) {
    fs::remove_all(desk.out);
    fs::create_directories(desk.out / "sub");
    run_well(arguments);
    std::vector<std::string> names;
    for (const auto& entry : fs::recursive_directory_iterator(desk.out)) {
      if (entry.path().extension() == ".json") {
        names.push_back(fs::relative(entry.path(), desk.out));
        CHECK(fs::exists(fs::path(entry.path()).replace_extension(".txt")));
      }
    }
    return names;
  };
  using Names = std::vector<std::string>;
  CHECK(made_by(desk.undistort("####.exr")) == Names{"handoff.json"});
  CHECK(made_by(desk.undistort("shot_%04d.exr")) == Names{"shot.handoff.json"});
  CHECK(made_by(desk.undistort("shot.%d_v2.tif")) == Names{"shot_v2.handoff.json"});
  const auto one = [&](const char* name) { return with(desk.undistort(name), {"--frames", "2"}); };
  CHECK(made_by(one("p%s%n.exr")) == Names{"p%s%n.handoff.json"});
  CHECK(made_by(one("50%_%04d.exr")) == Names{"50%.handoff.json"});
  CHECK(made_by(desk.undistort("sub/")) == Names{"sub/handoff.json"});
  CHECK(made_by(desk.undistort("sub")) == Names{"sub/handoff.json"});
  CHECK(made_by(with(desk.undistort("s.####.exr"), {"--frames", "2"})) == Names{"s.handoff.json"});
  CHECK(made_by(with(desk.undistort("s.####.exr"),
                     {"--handoff", (desk.out / "n.json").string()})) == Names{"n.json"});
  CHECK(made_by(with(desk.undistort("s.####.exr"), {"--handoff", "none"})).empty());
  CHECK(made_by({"stmap", desk.lens, "--redistort", (desk.out / "r.exr").string()}) ==
        Names{"r.handoff.json"});
}

TEST_CASE("jobs of one sequence share the file; what says something else is kept") {
  const Desk desk;
  run_well(with(desk.undistort("s.####.exr"), {"--frames", "1"}));
  const std::string before = read_text(desk.out / "s.handoff.json");
  run_well(with(desk.undistort("s.####.exr"), {"--frames", "2"}));
  CHECK(read_text(desk.out / "s.handoff.json") == before);

  fs::remove(desk.out / "s.0002.exr");
  const std::vector<std::string> other =
      with(desk.undistort("s.####.exr"), {"--frames", "2", "--overscan", "none"});
  const ProgramResult refused = run_trueplate(other);
  CHECK(refused.status == 1);
  CHECK(refused.errors.find("s.handoff.json") != std::string::npos);
  CHECK(refused.errors.find("--overwrite") != std::string::npos);
  const ProgramResult both =
      run_trueplate(with(desk.undistort("s.####.exr"), {"--frames", "1", "--overscan", "none"}));
  CHECK(both.status == 1);
  CHECK(both.errors.find("s.0001.exr: exists already and was made with another lens") !=
        std::string::npos);
  CHECK(both.errors.find("s.handoff.json") != std::string::npos);
  CHECK_FALSE(fs::exists(desk.out / "s.0002.exr"));
  CHECK(read_text(desk.out / "s.handoff.json") == before);
  run_well(with(other, {"--overwrite"}));
  CHECK(read_text(desk.out / "s.handoff.json") != before);

  // Another frame size in the middle: said, with the size the numbers belong to.
  Image<float> small(320, 180, 1);
  small.fill(0.5F);
  const Window window{.width = 320, .height = 180};
  write_frame(desk.folder / "plate.0003.exr", frame_of(std::move(small), {window, window}));
  const ProgramResult mixed = run_trueplate(desk.undistort("m.####.exr"));
  CHECK(mixed.status == 0);
  CHECK(mixed.errors.find("640x360") != std::string::npos);
  CHECK(mixed.errors.find("m.handoff.json") != std::string::npos);
}

TEST_CASE("without a film back what is missing is said, and --film-back gives it") {
  lens::Lens lens = spherical();
  lens.film_back.reset();
  const Desk desk(lens);
  const fs::path file = desk.out / "h.json";
  const auto ask = [&](const std::vector<std::string>& more) {
    const ProgramResult result =
        run_well(with({"handoff", desk.lens, "--json", file.string(), "--overwrite"}, more));
    return std::pair(read_json(file), result.output);
  };
  const auto [bare, text] = ask({});
  CHECK(bare.at("missing") == json::array({"film_back_mm"}));
  CHECK(text.find("MISSING: the film back") != std::string::npos);
  const json& camera = bare.at("render").at("camera");
  CHECK(camera.at("focal_mm").is_null());
  CHECK(camera.at("film_back_mm").is_null());
  CHECK(camera.at("focal_px").at("x") == 620.0);

  const auto [whole, whole_text] = ask({"--film-back", "24.89x14mm"});
  CHECK(whole.at("missing").empty());
  CHECK(whole_text.find("MISSING") == std::string::npos);
  CHECK(whole.at("render").at("camera").at("unit_window") == camera.at("unit_window"));
  // A film back of another aspect than the plate: said, by how much.
  const auto [doubted, doubted_text] = ask({"--film-back", "24.89x18.67mm"});
  REQUIRE(doubted.at("warnings").size() == 1);
  CHECK(doubted.at("warnings")[0].at("code") == "film-back-aspect");
  CHECK(doubted_text.find("1.333 times as wide as high") != std::string::npos);
  CHECK(whole.at("warnings").empty());
  // Another size: the pixels scale, the millimetres stay but for the overscan's whole pixels.
  const auto [twice, twice_text] = ask({"--film-back",
                                        "24.89x14mm",
                                        "--size",
                                        "1280x720",
                                        "--overscan",
                                        "10%",
                                        "--origin",
                                        "top-left",
                                        "--filter",
                                        "bilinear"});
  CHECK(twice.at("solve").at("camera").at("focal_px").at("x") == 1240.0);
  CHECK(twice.at("solve").at("camera").at("focal_mm") ==
        whole.at("solve").at("camera").at("focal_mm"));
  CHECK(size_of(twice.at("render").at("camera").at("size_px")) == ImageSize{1536, 864});
  CHECK(twice.at("comp").at("t_origin") == "top-left");
  CHECK(twice.at("comp").at("filter") == "bilinear");
}

TEST_CASE("bad words and files are refused in one line, and nothing is left") {
  const Desk desk;
  const ProgramResult pattern =
      run_trueplate({"stmap", desk.lens, "--undistort", (desk.out / "u.####.exr").string()});
  CHECK(pattern.status == 2);
  CHECK(pattern.errors.find("with --per-frame") != std::string::npos);
  CHECK(names_in(desk.out).empty());
  const auto refused =
      [&](const std::vector<std::string>& arguments, int status, const std::string& word) {
        const ProgramResult result = run_trueplate(arguments);
        CAPTURE(result.errors);
        CHECK(result.status == status);
        CHECK(std::count(result.errors.begin(), result.errors.end(), '\n') == 1);
        CHECK(result.errors.find(word) != std::string::npos);
        CHECK(names_in(desk.out).empty());
      };
  const std::vector<std::string> handoff{"handoff", desk.lens};
  refused(with(handoff, {"--overscan", "nan%"}), 2, "nan%");
  refused(with(handoff, {"--overscan", "1,2,3"}), 2, "1,2,3");
  refused(with(handoff, {"--overscan", "60000,0,60000,0"}), 1, "120640");
  refused(with(handoff, {"--round", "0"}), 2, "--round");
  refused(with(handoff, {"--size", "640x480"}), 2, "640x480");
  refused(with(handoff, {"--origin", "left"}), 2, "left");
  refused(with(handoff, {"--filter", "soft"}), 2, "soft");
  refused(with(handoff, {"--film-back", "0x14mm"}), 2, "0x14mm");
  refused(with(handoff, {"--film-back", "24.89"}), 2, "24.89");
  refused(with(handoff, {"--per-channel"}), 1, "--per-channel");
  refused(with(handoff, {"--json", desk.lens}), 1, "lens.json");
  refused({"handoff", (desk.folder / "absent.json").string()}, 1, "absent.json");
  std::ofstream(desk.folder / "cut.json") << read_text(desk.lens).substr(0, 300);
  refused({"handoff", (desk.folder / "cut.json").string()}, 1, "cut.json");
  refused(with(desk.undistort("s.####.exr"), {"--handoff", "numbers.txt"}), 2, "numbers.txt");
  refused(with(desk.undistort("s.####.exr"), {"--handoff", desk.lens}), 1, "lens.json");
  refused(
      with(desk.undistort("s.####.exr"), {"--handoff", (desk.out / "absent" / "h.json").string()}),
      1,
      "absent");
  refused(
      {"stmap", desk.lens, "--undistort", (desk.out / "u.exr").string(), "--handoff", desk.lens},
      1,
      "lens.json");
}
