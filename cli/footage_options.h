#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/target/chart.h"
#include "cli/command.h"

namespace trueplate::cli {

class DetectionPictures;

/// The FRAMES argument and its --frames.
struct FrameArguments {
  std::vector<std::string> arguments;
  std::string range;
};
void add_frames(CLI::App& app, FrameArguments& frames, const std::string& description);

/// Reports why FRAMES could not be resolved: a malformed name or range is a wrong command line, an
/// absent file is not.
int report_frames(const Error& error);

/// The options that name a chart.
struct ChartOptions {
  std::string kind;
  std::string pitch;
  std::string grid;
};
void add_chart(CLI::App& app, ChartOptions& chart);
/// The chart they name, or that the description file describes which --chart names. Errors:
/// kInvalidInput for words that make no sense, else the file's.
Result<target::Chart> chart_of(const ChartOptions& options);
/// Reports such an error: wrong words are a wrong command line, a file that cannot be read is not.
int report_chart(const Error& error);

/// The chart that is looked for, and what of a frame it is looked for in.
struct Sought {
  target::Chart chart;
  footage::Plane plane = footage::Plane::kLuma;
};

/// Detects with progress and prints each frame's reason that failed, on standard error,
/// and draws the pictures.
Result<std::vector<DetectedFrame>> detect(const footage::FrameSet& frames,
                                          const Sought& sought,
                                          DetectionPictures& pictures,
                                          const CommonOptions& common);

/// Why a frame with a chart is left out beside frames of `common` size; empty when it is of that
/// size or has no chart.
std::string other_size_reason(const DetectedFrame& frame, ImageSize common);

/// Names each frame that other_size_reason() leaves out. Returns whether there is one.
bool report_other_sizes(const std::vector<DetectedFrame>& frames, ImageSize common);

/// Measures the corners of the frames that a calibration used again, with its lens, and says by how
/// much they moved.
Result<void> measure_again(const footage::FrameSet& frames,
                           const Calibration& calibration,
                           const Sought& sought,
                           const CommonOptions& common,
                           std::vector<DetectedFrame>& detected);

/// Adds the lenses of red and blue to a calibration, with progress.
Result<void> fit_colours(const footage::FrameSet& frames,
                         const std::vector<DetectedFrame>& detected,
                         const Sought& sought,
                         const fit::FitOptions& fit_options,
                         const CommonOptions& common,
                         Calibration& calibration);

/// Writes observations that were measured here, with the program's version as a comment.
Result<void> write_observations(const std::filesystem::path& path,
                                footage::Observations observations,
                                const CommonOptions& common);

/// The paths of the frames, as inputs for check_outputs().
std::vector<std::string> paths_of(const footage::FrameSet& frames);

}  // namespace trueplate::cli
