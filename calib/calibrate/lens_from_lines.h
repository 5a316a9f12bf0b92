#pragma once

#include <atomic>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/footage/frame_set.h"
#include "calib/lens/film_back.h"
#include "calib/plate/edge_chains.h"
#include "calib/plate/line_fit.h"
#include "calib/plate/line_set.h"
#include "calib/profile/profile.h"

namespace trueplate {

struct FindLinesOptions {
  plate::EdgeOptions edges;
  int threads = 0;                               // 0 = all cores; frames run in parallel
  FrameProgress progress = {};                   // called from any thread, one call at a time
  const std::atomic<bool>* interrupt = nullptr;  // when it becomes true the call returns an error
};

/// One frame after the search for edges.
struct LinesOfFrame {
  std::string name;
  std::string sha256;    // of the file; empty when it could not be read
  ImageSize plate_size;  // of the display window
  double pixel_aspect = 1.0;
  std::vector<std::vector<Point2d>> chains_px;  // plate px, longest first
  std::optional<Error> error;                   // why there are none
  std::vector<Warning> warnings;                // of reading the file
};

/// Finds smooth edges in every frame, stills or of a movie; one frame a thread is in memory. A
/// frame that cannot be read or has no edge keeps its place and carries its reason. Errors: only
/// kInterrupted.
Result<std::vector<LinesOfFrame>> find_lines(const footage::FrameSet& frames,
                                             const FindLinesOptions& options);

/// The lines of all frames of the most frequent size (of equally frequent ones the larger), named
/// 1, 2, ... in each frame. The frames left out get an error that says so. Errors: no frame has
/// lines (the first reason is quoted).
Result<plate::LineSet> lines_of(std::vector<LinesOfFrame>& frames);

/// What is known of the lens beside its lines.
struct LensFromLinesOptions {
  plate::LineFitOptions fit;  // focal_px and focal_ratio are set from what stands below
  profile::Labels labels;
  std::optional<lens::FilmBack> film_back;
  std::optional<double> pixel_aspect;  // default: what the frames say, else the squeeze
  double squeeze = 1.0;
  std::optional<double> nominal_focal_mm;  // believed; needs film_back
  std::optional<double> focus_m;
  std::optional<double> t_stop;
  std::string program_version;  // provenance
};

struct LensFromLines {
  profile::Profile profile;  // one station; its method says what was not measured
  plate::LineFit fit;
};

/// Fits the lens to the lines of frames, as lines_of() gave them. Every frame is in the profile's
/// provenance, with the reason when no line of it was used. Errors: those of fit_lens_to_lines(); a
/// nominal focal length without a film back.
Result<LensFromLines> lens_from_lines(const std::vector<LinesOfFrame>& frames,
                                      const plate::LineSet& lines,
                                      const LensFromLinesOptions& options);

/// The same for lines from a file; its name and content hash go into the provenance.
Result<LensFromLines> lens_from_lines(const std::filesystem::path& lines_file,
                                      const plate::LineSet& lines,
                                      const LensFromLinesOptions& options);

}  // namespace trueplate
