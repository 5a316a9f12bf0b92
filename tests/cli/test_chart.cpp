// trueplate chart: its files, and what it refuses.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <set>
#include <string>

#include "calib/exchange/chart_file.h"
#include "calib/footage/frame.h"
#include "calib/footage/observations.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using trueplate::tests::ProgramResult;
using trueplate::tests::run_trueplate;
using trueplate::tests::ScratchFolder;
using Words = std::vector<std::string>;

std::string read(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

std::set<std::string> files_in(const fs::path& folder) {
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) names.insert(entry.path().filename());
  return names;
}

ProgramResult chart(Words words, const Words& more) {
  words.insert(words.begin(), "chart");
  words.insert(words.end(), more.begin(), more.end());
  return run_trueplate(words);
}

const Words kBoard{"--kind", "checkerboard", "--pitch", "25mm"};

}  // namespace

TEST_CASE("a chart and its description, and the result for machines") {
  const ScratchFolder scratch;
  const std::string pdf = (scratch.path() / "chart.pdf").string();
  const ProgramResult made = chart(
      kBoard, {"--grid", "9x6", "--sheet", "A3", "--date", "2031-05-04", "-o", pdf, "--json", "-"});
  INFO(made.errors);
  REQUIRE(made.status == 0);
  CHECK(read(pdf).starts_with("%PDF-"));
  CHECK(files_in(scratch.path()) == std::set<std::string>{"chart.pdf", "chart.json"});
  const nlohmann::json result = nlohmann::json::parse(made.output);
  CHECK(result["columns"] == 9);
  CHECK(result["pitch_mm"]["y"] == 25.0);
  CHECK(result["sheet_mm"]["width"] == 420.0);
  CHECK(result["tiles"].is_null());
  const auto description = trueplate::exchange::read_chart(scratch.path() / "chart.json");
  REQUIRE(description);
  CHECK(description->chart.columns == 9);
  CHECK(description->chart.rows == 6);
  CHECK(description->drawn->date == "2031-05-04");
}

TEST_CASE("the same words give the same bytes, by --date and by SOURCE_DATE_EPOCH") {
  const ScratchFolder scratch;
  const auto make = [&](const char* name, const Words& more) {
    const std::string path = (scratch.path() / name).string();
    Words words{"-o", path};
    words.insert(words.end(), more.begin(), more.end());
    const ProgramResult made = chart(kBoard, words);
    INFO(made.errors);
    REQUIRE(made.status == 0);
    return read(path);
  };
  const std::string dated = make("a.pdf", {"--date", "2031-05-04"});
  CHECK(make("b.pdf", {"--date", "2031-05-04"}) == dated);
  ::setenv("SOURCE_DATE_EPOCH", "1935654030", 1);  // 2031-05-04T10:20:30Z
  CHECK(make("c.pdf", {}) == dated);
  ::setenv("SOURCE_DATE_EPOCH", "soon", 1);
  const ProgramResult bad = chart(kBoard, {"-o", (scratch.path() / "d.pdf").string()});
  CHECK(bad.status == 2);
  CHECK(bad.errors.find("SOURCE_DATE_EPOCH") != std::string::npos);
  ::unsetenv("SOURCE_DATE_EPOCH");
}

TEST_CASE("tiles: pages of one PDF, or numbered SVG files") {
  const ScratchFolder scratch;
  const std::string svg = (scratch.path() / "wall.svg").string();
  const ProgramResult made =
      chart({"--kind", "dots", "--pitch", "40mm"},
            {"--grid", "9x6", "--tile", "A4", "--overlap", "12mm", "-o", svg, "--json", "-"});
  INFO(made.errors);
  REQUIRE(made.status == 0);
  const nlohmann::json result = nlohmann::json::parse(made.output);
  const int columns = result["tiles"]["columns"];
  const int rows = result["tiles"]["rows"];
  CHECK(columns * rows > 1);
  CHECK(result["outputs"].size() == static_cast<std::size_t>(columns * rows));
  for (const nlohmann::json& path : result["outputs"]) {
    CHECK(read(path.get<std::string>()).find("<svg") < 200);
  }
  CHECK(fs::exists(scratch.path() / "wall.r1c1.svg"));
  CHECK(fs::exists(scratch.path() / "wall.json"));
}

TEST_CASE("pictures for a screen: exact pixels, in each format") {
  for (const char* name : {"wall.png", "wall.tif", "wall.exr"}) {
    const ScratchFolder scratch;
    const std::string path = (scratch.path() / name).string();
    const ProgramResult made = chart({"--kind", "checkerboard", "--pitch", "50px"},
                                     {"--screen", "640x480", "--pixel-pitch", "2.6mm", "-o", path});
    INFO(made.errors);
    REQUIRE(made.status == 0);
    const auto frame = trueplate::footage::read_frame(path);
    REQUIRE(frame);
    CHECK(frame->pixels.width() == 640);
    CHECK(frame->pixels.height() == 480);
    const auto description = trueplate::exchange::read_chart(scratch.path() / "wall.json");
    REQUIRE(description);
    CHECK(description->chart.pitch_mm == 130.0);
    long extreme = 0;
    for (std::size_t i = 0; i < frame->pixels.size(); ++i) {
      const float level = frame->pixels.data()[i];
      if (level == 0.0F || level == 1.0F) ++extreme;
    }
    CHECK(static_cast<double>(extreme) > 0.99 * static_cast<double>(frame->pixels.size()));
  }
}

TEST_CASE("wrong words end with status 2, one line, and no file") {
  const ScratchFolder scratch;
  const std::string pdf = (scratch.path() / "c.pdf").string();
  const std::string png = (scratch.path() / "c.png").string();
  struct Case {
    Words words;
    std::string named;
  };
  const std::vector<Case> cases{
      {{"--kind", "hexagons", "--pitch", "25mm", "-o", pdf}, "--kind"},
      {{"--kind", "lines", "--pitch", "25", "-o", pdf}, "--pitch"},
      {{"--kind", "lines", "--pitch", "0mm", "-o", pdf}, "--pitch"},
      {{"--kind", "lines", "--pitch", "nanmm", "-o", pdf}, "--pitch"},
      {{"--kind", "lines", "--pitch", "1e9mm", "-o", pdf}, "pitch"},
      {{"--kind", "lines", "--pitch", "500mm", "-o", pdf}, "A4"},
      {{"--kind", "lines", "--pitch", "50px", "-o", pdf}, "--pitch"},
      {{"--kind", "lines", "--pitch", "0.1mm", "-o", pdf}, "more than"},
      {{"--kind", "lines", "--pitch", "1mm", "--grid", "1000x1000", "-o", pdf}, "more than"},
      {{"--kind", "lines", "--pitch", "25mm", "--grid", "many", "-o", pdf}, "--grid"},
      {{"--kind", "lines", "--pitch", "25mm", "--grid", "50x50", "-o", pdf}, "larger sheet"},
      {{"--kind", "lines", "--pitch", "25mm", "--sheet", "A9", "-o", pdf}, "--sheet"},
      {{"--kind", "lines", "--pitch", "25mm", "--sheet", "1e9x1e9mm", "-o", pdf}, "--sheet"},
      {{"--kind", "lines", "--pitch", "25mm", "--orientation", "up", "-o", pdf}, "--orientation"},
      {{"--kind", "lines", "--pitch", "25mm", "--roll", "914mm", "-o", pdf}, "--grid"},
      {{"--kind", "lines", "--pitch", "25mm", "--tile", "A4", "-o", pdf}, "--tile"},
      {{"--kind", "lines", "--pitch", "25mm", "--overlap", "9mm", "-o", pdf}, "--overlap"},
      {{"--kind", "lines", "--pitch", "25mm", "--margin", "150mm", "-o", pdf}, "margin"},
      {{"--kind", "lines", "--pitch", "25mm", "--dot-diameter", "9mm", "-o", pdf},
       "--dot-diameter"},
      {{"--kind", "dots", "--pitch", "25mm", "--line-width", "9mm", "-o", pdf}, "--line-width"},
      {{"--kind", "lines", "--pitch", "25mm", "--line-width", "30mm", "-o", pdf}, "line width"},
      {{"--kind", "lines", "--pitch", "25mm", "--date", "tomorrow", "-o", pdf}, "--date"},
      {{"--kind", "lines", "--pitch", "25mm", "-o", pdf + "x"}, "-o"},
      {{"--kind", "lines", "--pitch", "25mm", "--screen", "640x480", "-o", pdf}, "--screen"},
      {{"--kind", "lines", "--pitch", "25mm", "-o", png}, "--pixel-pitch"},
      {{"--kind",
        "lines",
        "--pitch",
        "25mm",
        "--screen",
        "640x480",
        "--pixel-pitch",
        "2.6mm",
        "-o",
        png},
       "between pixels"},
      {{"--kind",
        "lines",
        "--pitch",
        "50px",
        "--screen",
        "640x480",
        "--pixel-pitch",
        "2.6mm",
        "--sheet",
        "A4",
        "-o",
        png},
       "--sheet"},
      {{"--kind", "lines", "--pitch", "25mm"}, "output"},
  };
  for (const Case& one : cases) {
    const ProgramResult result = chart({}, one.words);
    CAPTURE(result.errors);
    CAPTURE(one.named);
    CHECK(result.status == 2);
    CHECK(std::count(result.errors.begin(), result.errors.end(), '\n') == 1);
    CHECK(result.errors.find(one.named) != std::string::npos);
    CHECK(files_in(scratch.path()).empty());
  }
}

TEST_CASE("files that exist are kept") {
  const ScratchFolder scratch;
  const std::string pdf = (scratch.path() / "chart.pdf").string();
  std::ofstream(scratch.path() / "chart.json") << "mine";
  const ProgramResult refused = chart(kBoard, {"-o", pdf});
  CHECK(refused.status == 1);
  CHECK(refused.errors.find("chart.json") != std::string::npos);
  CHECK(files_in(scratch.path()) == std::set<std::string>{"chart.json"});
  CHECK(read(scratch.path() / "chart.json") == "mine");
  CHECK(chart(kBoard, {"-o", pdf, "--overwrite"}).status == 0);
  CHECK(chart(kBoard, {"-o", pdf, "--description", pdf}).status == 1);
  CHECK(chart(kBoard, {"-o", (scratch.path() / "absent" / "c.pdf").string()}).status == 1);
}

TEST_CASE("detect and calibrate read the description, or refuse it by its field") {
  const ScratchFolder scratch;
  const std::string picture = (scratch.path() / "wall.png").string();
  const std::string json = (scratch.path() / "wall.json").string();
  REQUIRE(chart({"--kind", "checkerboard", "--pitch", "50px"},
                {"--screen", "960x640", "--pixel-pitch", "2.6mm", "-o", picture})
              .status == 0);
  const auto description = trueplate::exchange::read_chart(json);
  REQUIRE(description);
  const std::string grid =
      fmt::format("{}x{}", description->chart.columns, description->chart.rows);
  const std::string found = (scratch.path() / "found.csv").string();
  const ProgramResult detected =
      run_trueplate({"detect", picture, "--chart", json, "--grid", grid, "-o", found});
  INFO(detected.errors);
  REQUIRE(detected.status == 0);
  // The last corner lies columns - 1 and rows - 1 pitches of 130 mm from the first.
  const std::string last = fmt::format(
      ",{},{},", (description->chart.columns - 1) * 130, (description->chart.rows - 1) * 130);
  CHECK(read(found).find(last) != std::string::npos);

  const std::string again = (scratch.path() / "again.csv").string();
  CHECK(run_trueplate({"detect", picture, "--chart", json, "--pitch", "9mm", "-o", again}).status ==
        2);
  CHECK(run_trueplate({"detect", picture, "--chart", "absent.json", "-o", again}).status == 1);
  std::string text = read(json);
  text.replace(text.find("130"), 3, "-13");
  const std::string spoilt = (scratch.path() / "spoilt.json").string();
  std::ofstream(spoilt) << text;
  for (const char* command : {"detect", "calibrate"}) {
    const ProgramResult refused = run_trueplate({command, picture, "--chart", spoilt, "-o", again});
    CHECK(refused.status == 1);
    CHECK(refused.errors.find("pitch_mm") != std::string::npos);
  }
  // Another pitch along y than along x.
  text = read(json);
  text.replace(text.rfind("130"), 3, "131");
  const std::string stretched = (scratch.path() / "stretched.json").string();
  std::ofstream(stretched) << text;
  REQUIRE(run_trueplate({"detect", picture, "--chart", stretched, "--grid", grid, "-o", again})
              .status == 0);
  const std::string moved = fmt::format(
      ",{},{},", (description->chart.columns - 1) * 130, (description->chart.rows - 1) * 131);
  CHECK(read(again).find(moved) != std::string::npos);
}

TEST_CASE("a coded chart is found on its own picture, corner for corner") {
  const ScratchFolder scratch;
  const std::string picture = (scratch.path() / "wall.png").string();
  const std::string json = (scratch.path() / "wall.json").string();
  const ProgramResult made =
      chart({"--kind", "coded", "--pitch", "60px"},
            {"--screen", "1280x800", "--pixel-pitch", "2mm", "-o", picture, "--json", "-"});
  INFO(made.errors);
  REQUIRE(made.status == 0);
  const nlohmann::json described = nlohmann::json::parse(made.output);
  const std::string csv = (scratch.path() / "found.csv").string();
  const ProgramResult detected = run_trueplate({"detect", picture, "--chart", json, "-o", csv});
  INFO(detected.errors);
  REQUIRE(detected.status == 0);
  CHECK(detected.errors.empty());
  const auto found = trueplate::footage::read_observations(csv);
  REQUIRE(found);
  REQUIRE(found->views.size() == 1);
  const std::size_t columns = described["columns"];
  const std::size_t rows = described["rows"];
  const auto& corners = found->views.front().corners;
  REQUIRE(corners.size() == columns * rows);
  double worst_px = 0.0;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const double x_mm = 120.0 * static_cast<double>(i % columns);
    const double y_mm = 120.0 * static_cast<double>(i / columns);
    CHECK(corners[i].p_chart_mm.x() == x_mm);
    CHECK(corners[i].p_chart_mm.y() == y_mm);
    const trueplate::Point2d at_px((described["origin_mm"]["x"].get<double>() + x_mm) / 2.0,
                                   (described["origin_mm"]["y"].get<double>() + y_mm) / 2.0);
    worst_px = std::max(worst_px, (corners[i].p_plate_px - at_px).norm());
  }
  CHECK(worst_px < 0.02);

  // A smaller grid than the print's is refused, and the message names a marker that disproves it.
  const ProgramResult smaller = run_trueplate(
      {"detect", picture, "--chart", json, "--grid", "5x5", "-o", csv, "--overwrite"});
  CHECK(smaller.status == 1);
  CHECK(smaller.errors.find("beyond the 5x5") != std::string::npos);
}
