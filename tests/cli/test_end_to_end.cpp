// The main job as a user runs it, on synthetic footage whose lens is known.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "calib/base/csv.h"
#include "calib/footage/frame.h"
#include "calib/profile/profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/field.h"
#include "tests/support/test_data.h"
#include "warp/io/st_map_file.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::ProgramResult;
using tests::run_trueplate;

void run(const std::vector<std::string>& arguments) {
  const ProgramResult result = run_trueplate(arguments);
  CAPTURE(arguments);
  CAPTURE(result.errors);
  REQUIRE(result.status == 0);
}

constexpr double kDemoScale = TRUEPLATE_DEMO_SCALE;

struct Lens {
  const char* name;
  const char* film_back;
  const char* focal;
  const char* squeeze;
};
constexpr Lens kLenses[] = {{"plover-25", "24.89x14mm", "25mm", "1.0"},
                            {"curlew-40-x2", "20.56x17.5mm", "40mm", "2.0"}};

/// The demo and the profiles calibrated from it, made once.
struct Shot {
  tests::ScratchFolder scratch;
  fs::path folder(const Lens& lens) const { return scratch.path() / "demo" / lens.name; }

  Shot() {
    run({"demo",
         "-o",
         (scratch.path() / "demo").string(),
         "--scale",
         fmt::format("{}", kDemoScale)});
    for (const Lens& lens : kLenses) {
      run({"calibrate",
           (folder(lens) / "chart.####.exr").string(),
           "--chart",
           "checkerboard",
           "--grid",
           "14x9",
           "--pitch",
           "40mm",
           "--film-back",
           lens.film_back,
           "--squeeze",
           lens.squeeze,
           "-o",
           (folder(lens) / "lens.json").string(),
           "--json",
           (folder(lens) / "result.json").string(),
           "--observations",
           (folder(lens) / "corners.csv").string()});
    }
  }
};

const Shot& shot() {
  static const Shot shared;
  return shared;
}

lens::Lens read_lens(const fs::path& path) {
  const auto profile = profile::read_profile(path);
  REQUIRE(profile);
  return profile->stations.front().lens;
}

nlohmann::json read_json(const fs::path& path) {
  std::ifstream file(path);
  return nlohmann::json::parse(file);
}

struct Marker {
  std::string name;
  Point2d p_plate_px;
};

std::vector<Marker> read_markers(const fs::path& path) {
  const auto table = CsvTable::read(path);
  REQUIRE(table);
  std::vector<Marker> markers;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    markers.push_back(
        {table->cell(row, *table->column("marker")),
         {*table->number(row, *table->column("x")), *table->number(row, *table->column("y"))}});
  }
  return markers;
}

/// The alpha channel, smoothed `times` times by 1 4 6 4 1 in x and y (sigma 1 px each time).
Image<float> smooth_alpha(const footage::Frame& frame, int times) {
  const int width = frame.pixels.width();
  const int height = frame.pixels.height();
  const int alpha = frame.pixels.channels() - 1;
  Image<float> result(width, height, 1);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) result.at(x, y) = frame.pixels.at(x, y, alpha);
  }
  constexpr std::array kWeights{0.0625F, 0.25F, 0.375F, 0.25F, 0.0625F};
  for (int pass = 0; pass < 2 * times; ++pass) {
    const int dx = pass % 2;
    const int dy = 1 - dx;
    Image<float> next(width, height, 1);
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) {
        float sum = 0.0F;
        for (int k = -2; k <= 2; ++k) {
          sum += kWeights[static_cast<std::size_t>(k + 2)] *
                 result.at(std::clamp(x + k * dx, 0, width - 1),
                           std::clamp(y + k * dy, 0, height - 1));
        }
        next.at(x, y) = sum;
      }
    }
    result = std::move(next);
  }
  return result;
}

/// How far `frame` is shifted against `truth` around a point, by least squares on the pixels (Lucas
/// and Kanade, 1981): exact to first order for shifts well below a pixel. nullopt where there is
/// too little to see.
std::optional<Point2d> shift_px(const Image<float>& frame,
                                const Image<float>& truth,
                                const Point2d& around) {
  constexpr int kReach = 18;
  const int x0 = static_cast<int>(around.x()) - kReach;
  const int y0 = static_cast<int>(around.y()) - kReach;
  Eigen::Matrix2d normal = Eigen::Matrix2d::Zero();
  Point2d right = Point2d::Zero();
  for (int y = std::max(1, y0); y < std::min(y0 + 2 * kReach, truth.height() - 1); ++y) {
    for (int x = std::max(1, x0); x < std::min(x0 + 2 * kReach, truth.width() - 1); ++x) {
      const Point2d gradient(0.5 * (truth.at(x + 1, y) - truth.at(x - 1, y)),
                             0.5 * (truth.at(x, y + 1) - truth.at(x, y - 1)));
      const double difference = frame.at(x, y) - truth.at(x, y);
      normal += gradient * gradient.transpose();
      right -= difference * gradient;
    }
  }
  if (normal.determinant() < 0.1) return std::nullopt;
  return Point2d(normal.inverse() * right);
}

/// Largest shift over all markers, and how many could be measured.
std::pair<double, int> worst_shift_px(const Image<float>& frame,
                                      const Image<float>& truth,
                                      const std::vector<Marker>& markers) {
  double worst = 0.0;
  int measured = 0;
  for (const Marker& marker : markers) {
    const auto shift = shift_px(frame, truth, marker.p_plate_px);
    if (!shift) continue;
    ++measured;
    worst = std::max(worst, shift->norm());
  }
  return {worst, measured};
}

}  // namespace

TEST_CASE("the lens of the demo is recovered") {
  for (const Lens& entry : kLenses) {
    CAPTURE(entry.name);
    const lens::Lens truth = read_lens(shot().folder(entry) / "truth.json");
    const lens::Lens found = read_lens(shot().folder(entry) / "lens.json");
    const tests::FieldError error = tests::field_error(found, truth);
    const nlohmann::json result = read_json(shot().folder(entry) / "result.json");
    MESSAGE(
        fmt::format("{}: field error rms {:.4f} px, max {:.4f} px; fit rms {:.4f} px; focal length "
                    "{:.3f} x {:.3f} px, true {:.3f} x {:.3f}",
                    entry.name,
                    error.rms_px,
                    error.max_px,
                    result["rms_px"].get<double>(),
                    found.focal_px.x(),
                    found.focal_px.y(),
                    truth.focal_px.x(),
                    truth.focal_px.y()));
    CHECK(error.rms_px <= 0.01);
    CHECK(error.max_px <= 0.05);
    // The truth lies where the fit says it may: four standard deviations, for four parameters.
    const nlohmann::json& sigma = result["sigma"];
    CHECK(std::abs(found.focal_px.x() - truth.focal_px.x()) <=
          4 * sigma["focal_x_px"].get<double>());
    CHECK(std::abs(found.focal_px.y() - truth.focal_px.y()) <=
          4 * sigma["focal_y_px"].get<double>());
    CHECK(std::abs(found.principal_point_px.x() - truth.principal_point_px.x()) <=
          4 * sigma["principal_x_px"].get<double>());
    CHECK(std::abs(found.principal_point_px.y() - truth.principal_point_px.y()) <=
          4 * sigma["principal_y_px"].get<double>());
  }
}

TEST_CASE("the JSON result holds what scripts rely on") {
  const nlohmann::json result = read_json(shot().folder(kLenses[0]) / "result.json");
  for (const char* key : {"model",
                          "rms_px",
                          "held_out_rms_px",
                          "focal_px",
                          "focal_mm",
                          "principal_point_px",
                          "coefficients",
                          "sigma",
                          "frames",
                          "warnings",
                          "seconds"}) {
    CAPTURE(key);
    CHECK(result.contains(key));
  }
  CHECK(result["frames"].size() == 16);
  for (const char* key : {"name", "points", "rms_px", "used", "reason"}) {
    CHECK(result["frames"][0].contains(key));
  }
  CHECK(result["coefficients"].contains("k1"));
  CHECK(std::abs(result["focal_mm"].get<double>() - 25.14) < 0.05);  // the demo's true value
}

TEST_CASE("observations fitted again give the same lens") {
  const fs::path folder = shot().folder(kLenses[0]);
  run({"calibrate", (folder / "corners.csv").string(), "-o", (folder / "again.json").string()});
  const tests::FieldError error =
      tests::field_error(read_lens(folder / "again.json"), read_lens(folder / "lens.json"));
  CHECK(error.max_px < 1e-6);
}

// cg_truth is the same CG rendered through the lens, which shares no code with warp; its markers
// sit on the set's points by construction (tests/charts/synth/test_set.cpp). Position is judged
// after smoothing by 1.4 px: a short kernel delays detail near the limit of the raster by other
// amounts than the picture (bilinear at a quarter pixel: 0.045 px at half the Nyquist frequency),
// which is a loss of detail, not of position. The unsmoothed figure is shown beside it.
TEST_CASE("CG bent back lands on the plate") {
  for (const Lens& entry : kLenses) {
    CAPTURE(entry.name);
    const fs::path folder = shot().folder(entry);
    const auto truth = footage::read_frame(folder / "cg_truth.1001.exr");
    REQUIRE(truth);
    const std::vector<Marker> markers = read_markers(folder / "markers.csv");
    for (const char* filter : {"bilinear", "cubic", "lanczos"}) {
      CAPTURE(filter);
      const fs::path bent = folder / fmt::format("bent_{}.exr", filter);
      run({"redistort",
           (folder / "truth.json").string(),
           (folder / "cg.1001.exr").string(),
           "-o",
           bent.string(),
           "--filter",
           filter});
      const auto frame = footage::read_frame(bent);
      REQUIRE(frame);
      CHECK(frame->windows.data == frame->windows.display);
      REQUIRE(frame->windows.data == truth->windows.data);
      const auto [worst_px, measured] =
          worst_shift_px(smooth_alpha(*frame, 2), smooth_alpha(*truth, 2), markers);
      const auto [raw_px, raw_measured] =
          worst_shift_px(smooth_alpha(*frame, 0), smooth_alpha(*truth, 0), markers);
      MESSAGE(
          fmt::format("{}, {}: worst shift at {} markers {:.4f} px; without smoothing {:.4f} px",
                      entry.name,
                      filter,
                      measured,
                      worst_px,
                      raw_px));
      CHECK(measured >= 8);
      // At half size a pixel of the CG is as coarse as its lines, and position is known half as
      // well.
      CHECK(worst_px <= 0.02 / kDemoScale);
    }
  }
}

TEST_CASE("the pictures another program makes with our maps are ours") {
  if (tests::run_program("oiiotool", {"--version"}).status != 0) {
    MESSAGE("skipped: no oiiotool to compare with");
    return;
  }
  const fs::path folder = shot().folder(kLenses[0]);
  const std::string plate = (folder / "plate.1001.exr").string();
  run({"stmap",
       (folder / "lens.json").string(),
       "--undistort",
       (folder / "u.exr").string(),
       "--overscan",
       "none"});
  run({"undistort",
       (folder / "lens.json").string(),
       plate,
       "-o",
       (folder / "ours.exr").string(),
       "--overscan",
       "none",
       "--filter",
       "bilinear"});
  // flip_t because our t counts from the bottom; triangle of width 2 is its name for bilinear.
  const ProgramResult theirs = tests::run_program("oiiotool",
                                                  {plate,
                                                   (folder / "u.exr").string(),
                                                   "--st_warp:filter=triangle:flip_t=1",
                                                   "-o",
                                                   (folder / "theirs.exr").string()});
  REQUIRE(theirs.status == 0);
  const auto a = footage::read_frame(folder / "ours.exr");
  const auto b = footage::read_frame(folder / "theirs.exr");
  REQUIRE(a);
  REQUIRE(b);
  REQUIRE(a->windows.data == b->windows.data);
  // The map is rounded to float (1.2e-4 px at this width) and both pictures to half (relative
  // 2^-11): a difference beyond that would be one of position. The other program scales its filter
  // with the local stretch of the map, so a pixel at a hard edge differs a little more.
  double worst = 0.0;
  double sum = 0.0;
  for (std::size_t i = 0; i < a->pixels.size(); ++i) {
    const double difference = std::abs(a->pixels.data()[i] - b->pixels.data()[i]);
    worst = std::max(worst, difference);
    sum += difference * difference;
  }
  const double rms = std::sqrt(sum / static_cast<double>(a->pixels.size()));
  MESSAGE(fmt::format(
      "ours against oiiotool --st_warp, bilinear: rms {:.2e}, worst {:.2e}", rms, worst));
  CHECK(rms < 1e-3);
  CHECK(worst < 0.05);
}

TEST_CASE("points go to the straight picture and back") {
  const fs::path folder = shot().folder(kLenses[1]);
  const std::string profile = (folder / "lens.json").string();
  const std::string straight = (folder / "straight.csv").string();
  const std::string back = (folder / "back.csv").string();
  run({"points", profile, (folder / "markers.csv").string(), "-o", straight, "--undistort"});
  run({"points", profile, straight, "-o", back, "--redistort"});
  const std::vector<Marker> before = read_markers(folder / "markers.csv");
  const std::vector<Marker> after = read_markers(back);
  REQUIRE(before.size() == after.size());
  for (std::size_t i = 0; i < before.size(); ++i) {
    CHECK((before[i].p_plate_px - after[i].p_plate_px).norm() < 1e-9);
  }
}

TEST_CASE("maps and frames carry their windows") {
  const fs::path folder = shot().folder(kLenses[0]);
  const std::string profile = (folder / "lens.json").string();
  run({"stmap",
       profile,
       "--undistort",
       (folder / "wide.exr").string(),
       "--redistort",
       (folder / "back.exr").string(),
       "--origin",
       "top-left",
       "--size",
       "2048x1152"});
  const auto wide = warp::read_st_map(folder / "wide.exr");
  const auto back = warp::read_st_map(folder / "back.exr");
  REQUIRE(wide);
  REQUIRE(back);
  CHECK(wide->map.output.display == Window{0, 0, 2048, 1152});
  CHECK(wide->map.output.data.x < 0);
  CHECK(wide->map.t_origin == warp::TOrigin::kTopLeft);
  CHECK(back->map.output.data == back->map.output.display);

  run({"undistort",
       profile,
       (folder / "plate.1001.exr").string(),
       "-o",
       (folder / "straight.####.exr").string()});
  const auto straight = footage::read_frame(folder / "straight.1001.exr");
  REQUIRE(straight);
  const auto plate = footage::read_frame_header(folder / "plate.1001.exr");
  REQUIRE(plate);
  CHECK(straight->windows.display == plate->windows.display);
  CHECK(straight->windows.data.width > plate->windows.data.width);
}

TEST_CASE("info says what matters") {
  const ProgramResult info =
      run_trueplate({"info", (shot().folder(kLenses[0]) / "lens.json").string()});
  CHECK(info.status == 0);
  for (const char* word : {"focal length", "px", "mm", "k1", "rms"}) {
    CAPTURE(word);
    CHECK(info.output.find(word) != std::string::npos);
  }
}
