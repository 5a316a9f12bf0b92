#include "cli/footage_options.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/exchange/chart_file.h"
#include "calib/footage/observations.h"
#include "calib/target/checkerboard.h"
#include "cli/detection_pictures.h"
#include "cli/help/spelling.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

std::vector<std::string> known_kinds() {
  std::vector<std::string> names;
  for (const target::ChartKind kind : target::kChartKinds) {
    names.emplace_back(target::chart_kind_name(kind));
  }
  return names;
}

/// The refusal of a word that is no kind of chart; empty when it is one.
std::string unknown_kind(const std::string& word) {
  if (target::chart_kind_from_name(word)) return {};
  const std::string near = meant(word, known_kinds());
  return fmt::format("unknown kind '{}'{} known: {}",
                     printable(word),
                     near.empty() ? ";" : near,
                     fmt::join(known_kinds(), ", "));
}

Result<target::Chart> chart_by_name(const ChartOptions& options) {
  if (options.kind.empty() || options.pitch.empty()) {
    return fail(ErrorCode::kInvalidInput,
                "the chart is not described; add --chart checkerboard --pitch LENGTH (side of a "
                "square), and --grid COLSxROWS (inner corners) where every frame shows all of it");
  }
  target::Chart chart;
  if (const std::string refusal = unknown_kind(options.kind); !refusal.empty()) {
    return fail(ErrorCode::kInvalidInput, "--chart: " + refusal);
  }
  chart.kind = *target::chart_kind_from_name(options.kind);
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
  chart.pitch_mm = *pitch;
  return chart;
}

/// Kind and pitch of a description. Its grid is that of the print; a frame may show less. Only the
/// markers of a coded chart can still be held against it.
Result<target::Chart> chart_from_file(const ChartOptions& options) {
  if (!options.pitch.empty()) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("--pitch: {} says it as well; leave it out, or change it there", options.kind));
  }
  const Result<exchange::ChartDescription> description = exchange::read_chart(options.kind);
  if (!description) return fail(description.error());
  target::Chart chart = description->chart;
  if (chart.kind != target::ChartKind::kCoded) {
    chart.columns = 0;
    chart.rows = 0;
  }
  return chart;
}

/// Each frame's warnings and reason, on standard error. Of warnings that thousands of frames of a
/// movie may share, the first few are told.
void report_frames_of(const std::vector<DetectedFrame>& frames, const CommonOptions& common) {
  constexpr int kMostOfAKind = 5;
  std::map<std::string, int> counts;
  for (const DetectedFrame& frame : frames) {
    for (const Warning& warning : frame.warnings) {
      if (common.quiet || ++counts[warning.code] > kMostOfAKind) continue;
      report_warnings({{warning.code, fmt::format("{}: {}", frame.name, warning.message)}}, common);
    }
    if (frame.error) report_frame_problem(frame.error->message);
  }
  for (const auto& [code, count] : counts) {
    if (count <= kMostOfAKind) continue;
    report_warnings({{code, fmt::format("{} more frames have this warning", count - kMostOfAKind)}},
                    common);
  }
}

}  // namespace

void add_frames(CLI::App& app, FrameArguments& frames, const std::string& description) {
  app.add_option("FRAMES", frames.arguments, description)->required()->type_name("");
  app.add_option(
         "--frames", frames.range, "frame numbers: 1001-1100, 1001-1100x2 or 1001,1005,1010-1020")
      ->type_name("RANGE")
      // A variable that is not set in a script must not mean all frames.
      ->check([](const std::string& range) {
        return range.empty() ? std::string("is empty, wanted frame numbers such as 1001-1100")
                             : std::string();
      });
}

int report_frames(const Error& error) {
  return error.code == ErrorCode::kInvalidInput ? report_usage(error) : report_failure(error);
}

void add_chart(CLI::App& app, ChartOptions& chart) {
  const OptionsUnder heading(app, "The chart");
  app.add_option("--chart", chart.kind, "kind of chart, or its description chart.json")
      ->type_name(fmt::format("{}|FILE", fmt::join(known_kinds(), "|")))
      // Told before what is missing. An empty word is that of a variable that is not set.
      ->check(CLI::Validator(
          [](std::string& word) {
            return word.empty() || word.ends_with(".json") ? std::string() : unknown_kind(word);
          },
          ""));
  app.add_option(
         "--grid",
         chart.grid,
         "number of inner corners, crossings or dots, such as 9x6; default: any number, the "
         "chart may run off the frame")
      ->type_name("COLSxROWS");
  app.add_option("--pitch",
                 chart.pitch,
                 "side of one square, or the distance of lines or dots along a row, such as 25mm")
      ->type_name("LENGTH");
}

int report_chart(const Error& error) {
  return error.code == ErrorCode::kInvalidInput ? report_usage(error) : report_failure(error);
}

Result<target::Chart> chart_of(const ChartOptions& options) {
  Result<target::Chart> chart =
      options.kind.ends_with(".json") ? chart_from_file(options) : chart_by_name(options);
  if (!chart || options.grid.empty()) return chart;
  const Result<std::pair<int, int>> grid = parse_size(options.grid);
  if (!grid) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--grid: '{}' is not a number of inner corners; write COLSxROWS, such "
                            "as 9x6",
                            options.grid));
  }
  if (std::min(grid->first, grid->second) < target::kMinGridPoints) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--grid: {} inner corners, wanted {} or more each way",
                            options.grid,
                            target::kMinGridPoints));
  }
  chart->columns = grid->first;
  chart->rows = grid->second;
  return chart;
}

namespace {

DetectFramesOptions detect_options(const Sought& sought,
                                   const CommonOptions& common,
                                   Progress& progress) {
  DetectFramesOptions options{.chart = sought.chart, .plane = sought.plane};
  options.threads = common.threads;
  options.progress = [&progress](int done, int total, const std::string& name) {
    progress.update(done, total, name);
  };
  options.interrupt = &interrupt_flag();
  return options;
}

}  // namespace

Result<std::vector<DetectedFrame>> detect(const footage::FrameSet& frames,
                                          const Sought& sought,
                                          DetectionPictures& pictures,
                                          const CommonOptions& common) {
  FrameObserver draw;
  if (pictures.wanted()) {
    draw = [&](const FrameSight& sight) { pictures.draw(sight, sought.chart); };
  }
  Progress progress(common, "detect");
  DetectFramesOptions options = detect_options(sought, common, progress);
  options.observer = draw;
  Result<std::vector<DetectedFrame>> detected = detect_frames(frames, options);
  if (!detected) return detected;
  report_frames_of(*detected, common);
  return detected;
}

std::string other_size_reason(const DetectedFrame& frame, ImageSize common) {
  if (frame.corners.empty() || frame.plate_size == common) return {};
  return fmt::format("is {}x{}, most frames are {}x{}; left out",
                     frame.plate_size.width,
                     frame.plate_size.height,
                     common.width,
                     common.height);
}

bool report_other_sizes(const std::vector<DetectedFrame>& frames, ImageSize common) {
  bool any = false;
  for (const DetectedFrame& frame : frames) {
    const std::string reason = other_size_reason(frame, common);
    if (reason.empty()) continue;
    any = true;
    report_frame_problem(fmt::format("{}: {}", frame.name, reason));
  }
  return any;
}

Result<void> measure_again(const footage::FrameSet& frames,
                           const Calibration& calibration,
                           const Sought& sought,
                           const CommonOptions& common,
                           std::vector<DetectedFrame>& detected) {
  Result<MeasuredAgain> again = fail(ErrorCode::kInterrupted, "");
  {
    Progress progress(common, "measure again");
    again = measure_again(frames, calibration, detected, detect_options(sought, common, progress));
  }
  if (!again) return fail(again.error());
  std::string lost;
  if (again->num_lost > 0)
    lost = fmt::format("; {} could not be, and stay where they were", again->num_lost);
  print(common,
        fmt::format("measured {} points again with the fitted lens: they move by {:.4f} px rms{}\n",
                    again->num_corners,
                    again->rms_shift_px,
                    lost));
  return {};
}

Result<void> fit_colours(const footage::FrameSet& frames,
                         const std::vector<DetectedFrame>& detected,
                         const Sought& sought,
                         const fit::FitOptions& fit_options,
                         const CommonOptions& common,
                         Calibration& calibration) {
  Progress progress(common, "measure colours");
  return fit_colours(
      frames, detected, detect_options(sought, common, progress), fit_options, calibration);
}

Result<void> write_observations(const std::filesystem::path& path,
                                footage::Observations observations,
                                const CommonOptions& common) {
  observations.comments.push_back({"program", fmt::format("trueplate {}", kVersion)});
  return footage::write_observations(path, observations, common.overwrite_policy());
}

std::vector<std::string> paths_of(const footage::FrameSet& frames) {
  std::vector<std::string> paths;
  paths.reserve(frames.frames.size());
  for (const footage::FrameRef& frame : frames.frames) paths.push_back(frame.path.string());
  return paths;
}

}  // namespace trueplate::cli
