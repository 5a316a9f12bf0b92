// Report pages, judged in a real browser (Debian's headless Chromium; skipped without it): they
// load without an error on the console, every plot has as many marks as the JSON in the page has
// data, the divider moves, what the pointer shows is what the JSON says, and hostile text stays
// text.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calib/footage/observations.h"
#include "calib/profile/profile.h"
#include "cli/report/page.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/calib/zoom/simulated_zoom.h"
#include "tests/cli/lens_files.h"
#include "tests/cli/report_pages.h"
#include "tests/support/made_shot.h"

namespace trueplate::tests {
namespace {

namespace fs = std::filesystem;

constexpr ImageSize kPlate{480, 270};

// What would run, end an element or a string, or turn the text around, where it was not escaped.
const std::string kHostile =
    "</script><script>window.hostile=1</script><img src=x onerror='window.hostile=1'>\"'`&amp;<!--"
    "\xE2\x80\xA8 \xF0\x9F\x8E\xAC \xE2\x80\xAE\xD7\xA9\xD7\x9C\xD7\x95\xD7\x9D ${1} \x01 \xFF";

/// Observations of a synthetic shoot, frames with hostile names among them, one of them useless.
void write_shoot(const fs::path& path) {
  const lens::Lens lens = synthetic_lens(kPlate);
  footage::Observations observations;
  observations.views = synthetic_views(lens, {.num_views = 8, .noise_px = 0.05}).views;
  observations.views[1].frame = "b \"quoted\" </script><b>&lt; \xF0\x9F\x8E\xAC.png";
  for (target::Corner& corner : observations.views[2].corners) {
    corner.p_plate_px.x() =
        0.7 * corner.p_plate_px.x() + 0.0009 * corner.p_plate_px.y() * corner.p_plate_px.x();
  }
  observations.comments = {{"chart", "checkerboard"}, {"grid", "9x6"}, {"pitch", "25mm"}};
  const Result<void> written = footage::write_observations(path, observations, Overwrite::kRefuse);
  REQUIRE_MESSAGE(written, written.error().message);
}

/// A plate that shows something.
void write_plate(const fs::path& path) {
  Image<float> pixels(kPlate.width, kPlate.height, 1);
  for (int y = 0; y < kPlate.height; ++y) {
    for (int x = 0; x < kPlate.width; ++x)
      pixels.at(x, y) = (x / 30 + y / 30) % 2 == 0 ? 0.2F : 0.9F;
  }
  const Window window{0, 0, kPlate.width, kPlate.height};
  write_frame(path, frame_of(std::move(pixels), {.display = window, .data = window}));
}

/// Whether a place lies within a convex outline [[x, y]], or beside it by less than `margin_px`.
bool within(const nlohmann::json& outline, double x, double y, double margin_px) {
  for (std::size_t i = 0; i < outline.size(); ++i) {
    const Point2d a(outline[i][0].get<double>(), outline[i][1].get<double>());
    const nlohmann::json& next = outline[(i + 1) % outline.size()];
    const Point2d way = Point2d(next[0].get<double>(), next[1].get<double>()) - a;
    if (way.norm() < 1.0) continue;  // rounded, it points anywhere
    if (way.x() * (y - a.y()) - way.y() * (x - a.x()) < -margin_px * way.norm()) return false;
  }
  return true;
}

/// Whether the browser finds nothing wrong; true where there is none.
void judge(const fs::path& page, const std::string& width = "1200") {
  const fs::path script = test_data_folder().parent_path() / "cli" / "browse_report.py";
  const ProgramResult judged = run_program("python3", {script.string(), page.string(), width});
  if (judged.status == 127) {
    MESSAGE("skipped: there is no python3 to drive the browser");
    return;
  }
  CHECK_MESSAGE(judged.status == 0, (judged.output + judged.errors));
  MESSAGE(judged.output);
}

}  // namespace

TEST_CASE("a calibration's page, made by calibrate and by report") {
  const ScratchFolder folder;
  const auto in = [&](const char* name) { return (folder.path() / name).string(); };
  write_shoot(in("shoot.csv"));
  write_plate(in("plate.exr"));
  const ProgramResult made = run_well({"calibrate",
                                       in("shoot.csv"),
                                       "--progress",
                                       "-o",
                                       in("lens.json"),
                                       "--report",
                                       in("made.html"),
                                       "--lens",
                                       kHostile,
                                       "--body",
                                       kHostile,
                                       "--film-back",
                                       "24x13.5mm",
                                       "--chart-shape",
                                       "flat"});
  // What takes longest says how far it is.
  CHECK(made.errors.find("fit models 0/") != std::string::npos);
  CHECK(made.errors.find("judge models on held-out frames ") != std::string::npos);
  judge(in("made.html"));
  run_well({"report",
            in("lens.json"),
            in("plate.exr"),
            "--observations",
            in("shoot.csv"),
            "-o",
            in("whole.html"),
            "--date",
            "2031-05-04"});
  judge(in("whole.html"), "520");  // chromium's narrowest window; 500 px of page
  run_well({"report", in("lens.json"), "-o", in("bare.html")});
  judge(in("bare.html"));
  CHECK(read_text(in("bare.html")).find("The profile keeps the model that was taken") !=
        std::string::npos);

  // A lens that the observations do not speak of.
  nlohmann::json other = nlohmann::json::parse(read_text(in("lens.json")));
  nlohmann::json& coefficients = other["stations"][0]["lens"]["coefficients"];
  *coefficients.begin() = coefficients.begin()->get<double>() + 0.02;
  std::ofstream(in("other.json")) << other;
  run_well({"report", in("other.json"), "--observations", in("shoot.csv"), "-o", in("other.html")});
  const nlohmann::json verdict = data_of(in("other.html"))["verdict"];
  CHECK(verdict["level"] == "doubt");
  CHECK(verdict["headline"].get<std::string>().starts_with("These observations are not this lens"));

  // What the browser is not asked, because it would not run it: the source itself.
  const std::string page = read_text(in("whole.html"));
  CHECK(page.find("window.hostile") != std::string::npos);
  CHECK(page.find("<script>window.hostile") == std::string::npos);
  CHECK(page.find("<img") == std::string::npos);
  CHECK(page.find("Content-Security-Policy") != std::string::npos);
  CHECK(page.find("Copyright") != std::string::npos);  // the plot library's licences
  CHECK(page.size() < 3'000'000);
}

TEST_CASE("the reach of the points is marked on the grid and the curves") {
  const ScratchFolder folder;
  const auto in = [&](const char* name) { return (folder.path() / name).string(); };
  write_shoot(in("shoot.csv"));
  run_well({"calibrate",
            in("shoot.csv"),
            "--model",
            "radial-tangential",
            "-o",
            in("lens.json"),
            "--report",
            in("made.html")});
  const nlohmann::json page = data_of(in("made.html"));
  const nlohmann::json grid = section_of(page, "What the lens does to a straight grid");
  const nlohmann::json& outline = grid["reach"]["bent"];
  REQUIRE(outline.size() > 10);
  constexpr double kRoundedPx = 0.1;
  int seen = 0;
  for (const nlohmann::json& frame : page["frames"]) {
    if (frame["used"] != true) continue;
    for (std::size_t i = 0; i < frame["x"].size(); ++i) {
      if (frame["kept"][i] != 1) continue;
      ++seen;
      CHECK(within(outline, frame["x"][i], frame["y"][i], kRoundedPx));
    }
  }
  CHECK(seen > 100);
  int beyond = 0;
  for (const nlohmann::json& line : grid["lines"]) {
    for (const nlohmann::json& range : line["beyond"]) {
      for (std::size_t i = range[0].get<std::size_t>() + 1; i < range[1]; ++i, ++beyond) {
        CHECK_FALSE(within(outline, line["bent"][i][0], line["bent"][i][1], -kRoundedPx));
      }
    }
  }
  CHECK(beyond > 0);
  const nlohmann::json curves = section_of(page, "Distortion over image height");
  CHECK(holds(curves["caption"], "extrapolated"));
  CHECK(curves["series"][2]["beyond"].size() == 1);  // to the corner

  // Without observations: what the profile warns of, or nothing.
  run_well({"report", in("lens.json"), "-o", in("bare.html")});
  nlohmann::json profile = nlohmann::json::parse(read_text(in("lens.json")));
  profile["stations"][0]["warnings"] = nlohmann::json::array();
  std::ofstream(in("quiet.json")) << profile;
  profile["stations"][0]["warnings"] = {
      {{"code", "short-reach"}, {"message", "the corners reach 60 %"}, {"value", 0.6}}};
  std::ofstream(in("short.json")) << profile;
  run_well({"report", in("quiet.json"), "-o", in("quiet.html")});
  run_well({"report", in("short.json"), "-o", in("short.html")});
  const nlohmann::json quiet =
      section_of(data_of(in("quiet.html")), "What the lens does to a straight grid");
  CHECK(quiet["reach"].is_null());
  CHECK(holds(quiet["caption"], "is not marked"));
  const nlohmann::json warned =
      section_of(data_of(in("short.html")), "What the lens does to a straight grid");
  const double radius = 0.6 * std::hypot(0.5 * kPlate.width, 0.5 * kPlate.height);
  const double reach =
      std::abs(warned["reach"]["bent"][0][0].get<double>() - 0.5 * kPlate.width);  // to the right
  CHECK(reach == doctest::Approx(radius).epsilon(1e-4));
  judge(in("short.html"));
}

TEST_CASE("lenses with places that have no ray, and with more overscan than a picture can have") {
  const ScratchFolder folder;
  const auto in = [&](const std::string& name) { return (folder.path() / name).string(); };
  write_plate(in("plate.exr"));
  lens::Lens lens = make_lens(kPlate, {250.0, 250.0}, {2.0, 1.0});
  const auto show = [&](const std::string& name) {
    write_lens(in(name + ".json"), lens);
    run_well({"report", in(name + ".json"), in("plate.exr"), "-o", in(name + ".html")});
    judge(in(name + ".html"));
  };
  lens.model = lens::RadialTangential({-0.6, 0.0, 0.0, 0.0, 0.0});
  show("folds");
  lens.focal_px = {160.0, 160.0};
  lens.model = lens::Equidistant({0.0, 0.0, 0.0, 0.0});
  show("fisheye");
}

TEST_CASE("the page of a lens from lines") {
  const ScratchFolder folder;
  const auto in = [&](const char* name) { return (folder.path() / name).string(); };
  const lens::Lens lens = synthetic_lens(kPlate);
  std::ofstream file(in("lines.csv"));
  file << fmt::format("# image: {}x{}\nframe,line,x,y\n", kPlate.width, kPlate.height);
  for (int line = 0; line < 16; ++line) {
    for (int i = 0; i <= 40; ++i) {
      // Rows and columns of a straight picture, each second one bent in the world.
      const double along = 0.08 + 0.021 * i;
      const double across = 0.1 + 0.1 * (line / 2) + (line % 4 == 3 ? 0.02 * along * along : 0.0);
      const Point2d straight = line % 2 == 0
                                   ? Point2d(along * kPlate.width, across * kPlate.height)
                                   : Point2d(across * kPlate.width, along * kPlate.height);
      const std::optional<Point2d> p = lens::distort_px(lens, straight);
      REQUIRE(p);
      file << fmt::format("plate </script>,edge <b>{},{},{}\n", line, p->x(), p->y());
    }
  }
  file.close();
  run_well({"lines", in("lines.csv"), "-o", in("lens.json"), "--report", in("lines.html")});
  judge(in("lines.html"));
  const nlohmann::json page = data_of(in("lines.html"));
  for (const nlohmann::json& figure : page["figures"]) {
    CHECK(figure["label"] != "unseen frames");
    if (figure["label"] == "held out") CHECK(figure["note"] == "rms of lines that were not fitted");
  }
}

TEST_CASE("a trial solve's page") {
  const ScratchFolder folder;
  const auto in = [&](const char* name) { return (folder.path() / name).string(); };
  ShotPlan plan{.num_tracks = 40, .num_frames = 16, .travel = 5.0};
  plan.k1 = -0.12;
  MadeShot shot = make_shot(plan);
  slip(shot, 3, 9, {6.0, 2.0});
  shot.tracks.names[5] = "t</script><b>5";
  std::ofstream(in("tracks.csv")) << tracks_csv(shot.tracks);
  run_well({"solve", in("tracks.csv"), "--focal-px", "2000", "--report", in("solve.html")});
  judge(in("solve.html"));
  // What the verdict speaks of, not a mean that the solve makes vanish.
  const nlohmann::json rings = section_of(data_of(in("solve.html")), "Error towards the edge");
  REQUIRE(rings["series"].size() >= 2);
  for (const nlohmann::json& series : rings["series"]) {
    const std::string name = series["name"];
    if (name.find("mean outwards") != std::string::npos) continue;
    for (const nlohmann::json& point : series["points"]) CHECK(point[1].get<double>() > 0.0);
  }
}

TEST_CASE("the page of two calibrations, and of a lens with several stations") {
  const ScratchFolder folder;
  const auto in = [&](const std::string& name) { return (folder.path() / name).string(); };
  std::vector<std::string> gather{"gather"};
  for (const StationAt& at :
       {StationAt{24.0, 1.0}, {24.0, 5.0}, {35.0, 1.0}, {35.0, 5.0}, {50.0, 2.0}}) {
    profile::Profile profile;
    profile.labels.lens = kHostile;
    profile::Station& station = profile.stations.emplace_back();
    station.nominal_focal_mm = at.focal_mm;
    station.focus_m = at.focus_m;
    station.lens = lens::scaled_to(true_zoom(at.focal_mm, at.focus_m), kPlate);
    profile.provenance.created = "2031-05-04T10:20:30Z";
    profile.provenance.program = "trueplate";
    profile.provenance.program_version = "0";
    profile.provenance.method = "invented";
    gather.push_back(in(fmt::format("{:g}-{:g}.json", at.focal_mm, at.focus_m)));
    const Result<void> written = profile::write_profile(gather.back(), profile, Overwrite::kRefuse);
    REQUIRE_MESSAGE(written, written.error().message);
  }
  const std::string first = gather[1];
  const std::string second = gather[2];
  gather.insert(gather.end(), {"-o", in("zoom.json")});
  run_well(gather);
  run_well({"report", in("zoom.json"), "-o", in("zoom.html")});
  judge(in("zoom.html"));
  const nlohmann::json page = data_of(in("zoom.html"));
  // 50 mm has one focus distance, and its near and far ends no station around them.
  const nlohmann::json breathing = section_of(page, "Breathing");
  CHECK(breathing["series"].size() == 2);
  CHECK(breathing["words"][1].get<std::string>().starts_with("Not known at 50 mm"));
  const nlohmann::json values =
      section_of(page, "The lens over focal length and focus")["quantities"][0]["values"];
  CHECK(values.front().is_number());  // the widest lens at the farthest focus
  CHECK(values.back().is_null());     // the longest at the nearest
  for (const nlohmann::json& figure : page["figures"]) {
    if (figure["label"] != "predicted error") continue;
    CHECK(figure["note"].get<std::string>().find("worst state") != std::string::npos);
  }
  // Two stations that differ in both say nothing of breathing.
  run_well(
      {"gather", first, gather[4], "-o", in("diagonal.json"), "--report", in("diagonal.html")});
  const nlohmann::json diagonal = section_of(data_of(in("diagonal.html")), "Breathing");
  CHECK(diagonal["kind"] == "words");
  CHECK(diagonal["words"][0].get<std::string>().find("two focus distances") != std::string::npos);
  run_well({"report", in("zoom.json"), "--station", "2", "-o", in("station.html")});
  run_well({"compare", first, second, "--report", in("compare.html")});
  judge(in("compare.html"));
  // Words, not the names that the profile's file has.
  const nlohmann::json table = section_of(data_of(in("compare.html")), "Both in numbers");
  CHECK(table["rows"][1]["cells"][0] == "focal length x, px");
  for (const nlohmann::json& row : table["rows"]) CHECK_FALSE(holds(row["cells"][0], "_px"));
}

TEST_CASE("what a report refuses") {
  const ScratchFolder folder;
  const auto in = [&](const char* name) { return (folder.path() / name).string(); };
  write_lens(in("lens.json"), make_lens(kPlate, {400.0, 400.0}, {2.0, 1.0}));
  const auto refused =
      [&](std::vector<std::string> arguments, int status, const std::string& words) {
        arguments.insert(arguments.begin(), {"report", in("lens.json")});
        const ProgramResult result = run_trueplate(arguments);
        CHECK(result.status == status);
        CHECK_MESSAGE(result.errors.find(words) != std::string::npos, result.errors);
      };
  refused({"-o", in("x.txt")}, 2, "ends in .html");
  refused({"-o", in("x.html"), "--angles", "10"}, 2, "--angles");
  refused({"-o", in("x.pdf"), "--observations", in("absent.csv")}, 2, "a page (.html) does");
  refused({"-o", in("x.html"), "--observations", in("absent.csv")}, 1, "absent.csv");
  refused({in("absent.png"), "-o", in("x.html")}, 1, "absent.png");
  refused({"-o", in("x.html"), "--station", "2"}, 1, "holds 1 station, not 2");
  refused({"-o", in(".html")}, 2, "names no report");
  refused({in("lens.json"), "-o", in("x.html")}, 2, "is no picture");
  CHECK_FALSE(fs::exists(in("x.html")));
}

TEST_CASE("base64 as RFC 4648, section 10, and JSON that may stand in HTML") {
  CHECK(cli::base64("").empty());
  CHECK(cli::base64("f") == "Zg==");
  CHECK(cli::base64("fo") == "Zm8=");
  CHECK(cli::base64("foo") == "Zm9v");
  CHECK(cli::base64("foob") == "Zm9vYg==");
  CHECK(cli::base64("fooba") == "Zm9vYmE=");
  CHECK(cli::base64("foobar") == "Zm9vYmFy");
  const std::string text = cli::json_for_html({{"a", kHostile}});
  CHECK(text.find_first_of("<>&") == std::string::npos);
  for (const char c : text) CHECK(static_cast<unsigned char>(c) >= 0x20);
  for (const char c : text) CHECK(static_cast<unsigned char>(c) < 0x7F);
}

}  // namespace trueplate::tests
