#include "cli/footage_options.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/base/text.h"
#include "calib/target/checkerboard.h"

namespace trueplate::cli {

void add_frames(CLI::App& app, FrameArguments& frames, const std::string& description) {
  app.add_option("FRAMES", frames.arguments, description)->required()->type_name("");
  app.add_option(
         "--frames", frames.range, "frame numbers: 1001-1100, 1001-1100x2 or 1001,1005,1010-1020")
      ->type_name("RANGE");
}

int report_frames(const Error& error) {
  return error.code == ErrorCode::kInvalidInput ? report_usage(error) : report_failure(error);
}

void add_chart(CLI::App& app, ChartOptions& chart) {
  app.add_option("--chart", chart.kind, "kind of chart: checkerboard")->type_name("KIND");
  app.add_option("--grid", chart.grid, "number of inner corners, such as 9x6")
      ->type_name("COLSxROWS");
  app.add_option("--pitch", chart.pitch, "side of one square, such as 25mm")->type_name("LENGTH");
}

Result<target::Chart> chart_of(const ChartOptions& options) {
  if (options.kind.empty() || options.grid.empty() || options.pitch.empty()) {
    return fail(ErrorCode::kInvalidInput,
                "the chart is not described; add --chart checkerboard --grid COLSxROWS (inner "
                "corners) --pitch LENGTH (side of a square)");
  }
  target::Chart chart;
  if (options.kind != target::chart_kind_name(target::ChartKind::kCheckerboard)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--chart: unknown kind '{}'; known: checkerboard", options.kind));
  }
  const Result<std::pair<int, int>> grid = parse_size(options.grid);
  if (!grid) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--grid: '{}' is not a number of inner corners; write COLSxROWS, such "
                            "as 9x6",
                            options.grid));
  }
  const Result<double> pitch = parse_length_mm(options.pitch);
  if (!pitch) {
    return fail(ErrorCode::kInvalidInput, fmt::format("--pitch: {}", pitch.error().message));
  }
  constexpr double kShortestPitchMm = 0.01;
  constexpr double kLongestPitchMm = 100'000.0;
  if (*pitch < kShortestPitchMm || *pitch > kLongestPitchMm) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--pitch: {} is no size of a square, wanted {} mm to {} m",
                            options.pitch,
                            kShortestPitchMm,
                            kLongestPitchMm / 1000.0));
  }
  if (std::min(grid->first, grid->second) < target::kMinGridCorners) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--grid: {} inner corners, wanted {} or more each way",
                            options.grid,
                            target::kMinGridCorners));
  }
  chart.columns = grid->first;
  chart.rows = grid->second;
  chart.pitch_mm = *pitch;
  return chart;
}

Result<std::vector<DetectedFrame>> detect(const footage::FrameSet& frames,
                                          const target::Chart& chart,
                                          const CommonOptions& common) {
  Progress progress(common, "detect");
  Result<std::vector<DetectedFrame>> detected = detect_frames(
      frames,
      {.chart = chart,
       .threads = common.threads,
       .progress = [&](int done,
                       int total,
                       const std::string& name) { progress.update(done, total, name); },
       .interrupt = &interrupt_flag()});
  if (!detected) return detected;
  for (const DetectedFrame& frame : *detected) {
    for (const Warning& warning : frame.warnings) {
      if (!common.quiet)
        report_frame_problem(fmt::format("warning: {}: {}", frame.name, warning.message));
    }
    if (frame.error) report_frame_problem(frame.error->message);
  }
  return detected;
}

std::vector<std::string> paths_of(const footage::FrameSet& frames) {
  std::vector<std::string> paths;
  paths.reserve(frames.frames.size());
  for (const footage::FrameRef& frame : frames.frames) paths.push_back(frame.path.string());
  return paths;
}

}  // namespace trueplate::cli
