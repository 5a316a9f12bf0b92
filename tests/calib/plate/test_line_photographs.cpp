// Lenses from straight edges in real photographs, beside the chart calibration of the same camera.
// Neither is the truth. road-720p is from the repository CarND-Advanced-Lane-Lines (MIT), which
// publishes no numbers.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "calib/calibrate.h"
#include "calib/calibrate/lens_from_lines.h"
#include "tests/support/field.h"
#include "tests/support/test_data.h"

namespace {

using namespace trueplate;

const target::Chart kBoard{.pitch_mm = 1, .columns = 9, .rows = 6};

/// The camera by its chart, and the corners that says it from.
struct ByChart {
  std::vector<DetectedFrame> frames;
  lens::Lens lens;  // with the model that is compared
  double coefficient_sigma = 0.0;
};

/// With one coefficient, as lines are fitted; of more, only their sum is well known.
std::optional<ByChart> by_chart(const std::string& model) {
  const auto folder = tests::photograph_set("road-720p");
  if (!folder) return std::nullopt;
  const auto frames =
      footage::resolve_frames(std::vector<std::string>{(*folder / "calibration*.jpg").string()});
  REQUIRE(frames.has_value());
  auto detected = detect_frames(*frames, {.chart = kBoard});
  REQUIRE(detected.has_value());
  CalibrateOptions options;
  options.fit.model = model;
  options.fit.chart_shape = fit::ChartShape::kFlat;
  options.fit.held_out_folds = 0;
  auto calibration = calibrate(*detected, kBoard, options);
  REQUIRE(calibration.has_value());
  return ByChart{*std::move(detected), calibration->fit.lens, calibration->fit.sigma[4]};
}

/// Rows and columns of the boards: 9 or 6 points each.
plate::LineSet board_lines(const std::vector<DetectedFrame>& frames, ImageSize size) {
  plate::LineSet lines{.plate_size = size, .chains = {}};
  for (const DetectedFrame& frame : frames) {
    if (frame.corners.empty() || frame.plate_size != size) continue;
    std::map<std::string, std::vector<Point2d>> chains;
    for (const target::Corner& corner : frame.corners) {
      chains[fmt::format("row {:.0f}", corner.p_chart_mm.y())].push_back(corner.p_plate_px);
      chains[fmt::format("column {:.0f}", corner.p_chart_mm.x())].push_back(corner.p_plate_px);
    }
    for (auto& [name, points] : chains) {
      lines.chains.push_back({.name = name, .frame = frame.name, .points_px = std::move(points)});
    }
  }
  return lines;
}

void report(const char* what,
            const plate::LineFit& fit,
            const lens::Lens& chart_lens,
            double sigma) {
  double bend = 0.0;
  double straightened = 0.0;
  double before2 = 0.0;
  double after2 = 0.0;
  for (const plate::LineResult& line : fit.lines) {
    if (!line.used) continue;
    bend = std::max(bend, line.before.max_px);
    straightened = std::max(straightened, line.after->max_px);
    before2 += line.before.rms_px * line.before.rms_px / fit.num_lines;
    after2 += line.after->rms_px * line.after->rms_px / fit.num_lines;
  }
  const tests::FieldError error = tests::field_error(fit.lens, chart_lens);
  MESSAGE(fmt::format(
      "{}: {} of {} lines, {} {:.4f} +- {:.4f} (chart {:.4f} +- {:.4f}), field beside the "
      "chart's {:.2f} px rms {:.2f} max; straightness {:.2f} -> {:.2f} px largest, {:.3f} -> "
      "{:.3f} rms; "
      "rms {:.3f}, noise {:.3f}, structure {:.3f}, reach {:.2f}, edge bend {:.2f} +- {:.2f} px",
      what,
      fit.num_lines,
      fit.lines.size(),
      lens::model_name(fit.lens.model),
      lens::parameters(fit.lens.model)[0],
      fit.sigma[4],
      lens::parameters(chart_lens.model)[0],
      sigma,
      error.rms_px,
      error.max_px,
      bend,
      straightened,
      std::sqrt(before2),
      std::sqrt(after2),
      fit.rms_px,
      fit.noise_px,
      fit.structure_px,
      fit.reach,
      fit.edge_bend ? fit.edge_bend->value_px : std::nan(""),
      fit.edge_bend ? fit.edge_bend->sigma_px : std::nan("")));
}

}  // namespace

TEST_CASE("road-720p: rows and columns of its boards, and the edges of its road pictures") {
  const auto chart = by_chart("division-1");
  if (!chart) return;
  const lens::Lens& lens = chart->lens;
  const plate::LineFitOptions options{.model = "division-1", .focal_px = lens.focal_px};
  const plate::LineSet board = board_lines(chart->frames, lens.plate_size);
  const auto boards = plate::fit_lens_to_lines(board, options);
  REQUIRE(boards.has_value());
  report("boards", *boards, lens, chart->coefficient_sigma);
  // Most of it in the corners, which neither the boards nor their rows reach.
  CHECK(tests::field_error(boards->lens, lens).rms_px < 1.5);
  // In the words of OpenCV: k1 of the calibration that the set's README states, five coefficients.
  constexpr double kReferenceK1 = -0.256670;
  constexpr double kReferenceSigma = 0.016591;
  const auto radial = plate::fit_lens_to_lines(
      board, {.model = "radial-tangential", .radial_terms = 1, .focal_px = lens.focal_px});
  REQUIRE(radial.has_value());
  const double k1 = lens::parameters(radial->lens.model)[0];
  MESSAGE(
      fmt::format("boards, k1 alone: {:.4f} +- {:.4f}, OpenCV's chart calibration {:.4f} +- {:.4f}",
                  k1,
                  radial->sigma[4],
                  kReferenceK1,
                  kReferenceSigma));
  CHECK(std::abs(k1 - kReferenceK1) < 3.0 * std::hypot(radial->sigma[4], kReferenceSigma));

  const auto folder = tests::photograph_set("road-720p");
  const auto frames =
      footage::resolve_frames(std::vector<std::string>{(*folder / "straight_lines*.jpg").string()});
  REQUIRE(frames.has_value());
  auto found = find_lines(*frames, {});
  REQUIRE(found.has_value());
  const auto lines = lines_of(*found);
  REQUIRE(lines.has_value());
  const auto road = plate::fit_lens_to_lines(*lines, options);
  INFO((road ? std::string() : road.error().message));
  REQUIRE(road.has_value());
  report("road", *road, lens, chart->coefficient_sigma);
  // Its markings run towards the middle of the frame, where lines stay straight whatever the lens,
  // and the few other edges are not quite straight: that is found out and said, and the chart's
  // lens lies within what is said of it.
  const auto lambda1 = [](const lens::Lens& of) { return lens::parameters(of.model)[0]; };
  CHECK(std::abs(lambda1(road->lens) - lambda1(lens)) <
        2.0 * std::hypot(road->sigma[4], chart->coefficient_sigma));
  CHECK(road->edge_bend->sigma_px > 1.0);
  CHECK(std::any_of(road->warnings.begin(), road->warnings.end(), [](const Warning& warning) {
    return warning.code == "weak-lines";
  }));
}
