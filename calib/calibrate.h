#pragma once

#include <atomic>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/fit/colour_fit.h"
#include "calib/fit/fit.h"
#include "calib/fit/model_choice.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_set.h"
#include "calib/footage/observations.h"
#include "calib/profile/profile.h"
#include "calib/target/chart.h"
#include "calib/target/choice.h"
#include "calib/target/detection.h"

namespace trueplate {

/// How the work stands: `done` of `total` frames, `frame` the one just finished.
using FrameProgress = std::function<void(int done, int total, const std::string& frame)>;

/// A frame while its picture is in memory.
struct FrameSight {
  std::size_t index = 0;                         // in FrameSet::frames
  const footage::Luma* luma = nullptr;           // the plane detection saw; null: could not be read
  const target::Detection* detection = nullptr;  // in pixels of `luma`; null: no chart
  const Error* error = nullptr;                  // why there is none
};
using FrameObserver = std::function<void(const FrameSight&)>;

struct DetectFramesOptions {
  target::Chart chart;
  footage::Plane plane = footage::Plane::kLuma;  // what of a frame is looked at
  int threads = 0;                               // 0 = all cores; frames run in parallel
  FrameProgress progress = {};                   // called from any thread, one call at a time
  FrameObserver observer = {};  // called from any thread, several at once, once a frame
  const std::atomic<bool>* interrupt = nullptr;  // when it becomes true the call returns an error
};

/// One frame after detection.
struct DetectedFrame {
  std::string name;
  std::optional<int> number;
  std::string sha256;    // of the file; empty when it could not be read
  ImageSize plate_size;  // of the display window
  double pixel_aspect = 1.0;
  std::vector<target::Corner> corners;  // empty when there is no usable chart
  target::Origin origin = target::Origin::kArbitrary;
  double blur_px = 0.0;  // of a typical corner
  std::string repeats;   // the earlier frame whose picture this shows again, if any
  /// Between its two fields, where the corners are; nullopt: the picture cannot tell.
  std::optional<double> field_motion_px;
  target::Fields fields = target::Fields::kOne;
  std::optional<Error> error;     // why there are no corners
  std::string not_chosen;         // why choose_frames() left it out; empty: it is fitted
  std::vector<Warning> warnings;  // of reading the file and finding the chart
};

/// Finds the chart in every frame, stills or of a movie; one frame a thread is in memory. A frame
/// that cannot be read or shows no chart keeps its place and carries its reason; names asked for
/// that are no frames are listed like it. The order is that of the frame set, whatever the number
/// of threads. A frame whose rows are of two moments has the warning `field-motion` (value:
/// pixels), see footage::field_motion(). Errors: only kInterrupted.
Result<std::vector<DetectedFrame>> detect_frames(const footage::FrameSet& frames,
                                                 const DetectFramesOptions& options);

/// Leaves out what is not worth fitting: sets DetectedFrame::not_chosen. Always repeats of other
/// frames and, while there are better ones, interlaced ones (target::unsound_views()); of more than
/// `most` those that add little (target::choose_views()). 0: none is left out.
void choose_frames(std::vector<DetectedFrame>& frames, int most);

/// How many frames with a chart a fit takes unless told otherwise.
inline constexpr int kMostFrames = 60;

/// The plate size of most frames with corners that do not repeat another; of equally frequent sizes
/// the larger. 0x0 when there is none.
ImageSize common_plate_size(const std::vector<DetectedFrame>& frames);

/// The frames with corners as observations, without those that repeat another or are not of the
/// common_plate_size(). Errors: none has any (the reasons are counted in the message).
Result<footage::Observations> observations_of(const std::vector<DetectedFrame>& frames,
                                              const target::Chart& chart);

/// Everything about a calibration that is not in the pictures.
struct CalibrateOptions {
  fit::FitOptions fit;  // focal_px, focal_ratio and chart_identity are set by calibrate()
  /// Whether a lens that folds back inside the frame, and has no map in a part of it, is a result.
  bool accept_fold = false;
  bool choose_model = false;  // fit::fit_best_model() finds the model; that of `fit` is ignored
  fit::ModelProgress model_progress = {};  // of fit_best_model()
  profile::Labels labels;
  std::optional<lens::FilmBack> film_back;
  std::optional<double> pixel_aspect;  // default: what the frames say, else 1
  double squeeze = 1.0;
  std::optional<double> nominal_focal_mm;  // start value; needs film_back
  std::optional<double> focus_m;
  std::optional<double> t_stop;
  std::optional<double> entrance_pupil_mm = {};
  std::string program_version;  // provenance
};

/// The lens of red and of blue beside that of green.
struct ColourFits {
  fit::ColourFit red;
  fit::ColourFit blue;
};

struct Calibration {
  profile::Profile profile;  // one station
  fit::LensFit fit;
  std::vector<fit::ModelTrial> trials;  // empty unless the model was chosen
  std::optional<ColourFits> colours;    // set by fit_colours()
};

/// Fits the lens to detected frames. Frames without corners and frames that were not chosen are
/// listed in the profile's provenance with their reason. Warnings: those of the fit,
/// `interlaced-frames` (value: how many had to be fitted), and `several-sequences` (value: how
/// many) when the names say that footage was mixed. Errors: those of fit_lens(); kNotConverged for
/// a lens that folds back inside the frame, unless that is accepted; a nominal focal length without
/// a film back; nothing detected.
Result<Calibration> calibrate(const std::vector<DetectedFrame>& frames,
                              const target::Chart& chart,
                              const CalibrateOptions& options);

/// The same from an observations file, whoever wrote it. The file's name and content hash go into
/// the provenance; its comments `chart`, `grid` and `pitch`, as observations_of() writes them,
/// become the profile's chart, and `sha256: HASH FRAME` the frame's content hash.
Result<Calibration> calibrate(const std::filesystem::path& observations_file,
                              const CalibrateOptions& options);

/// What measuring again did to the corners, over the frames of the fit.
struct MeasuredAgain {
  int num_corners = 0;        // measured again
  int num_lost = 0;           // that could not be; they keep their first place
  double rms_shift_px = 0.0;  // by how much the places changed
};

/// Reads the frames that `calibration` used once more and measures their corners with its lens and
/// poses (target::measure_again()), in place. `frames` are `detected` and their set as
/// detect_frames() had them. Fit them again afterwards. A frame that cannot be read any more keeps
/// its corners. Errors: only kInterrupted.
Result<MeasuredAgain> measure_again(const footage::FrameSet& frames,
                                    const Calibration& calibration,
                                    std::vector<DetectedFrame>& detected,
                                    const DetectFramesOptions& options);

/// Adds the lenses of red and blue to a calibration of the green channel (whose frames were
/// detected with footage::Plane::kGreen). The frames that it used are read again, the chart's
/// points measured in all three channels where green's lens and the frames' poses have them, and
/// the lens of each colour is fitted to what its places differ from green's: fit::fit_colour(),
/// with the rejection of `fit_options`. A frame that cannot be read any more adds nothing. Errors:
/// kUnsupported, naming the frame, for one without three colour channels; kInterrupted; those of
/// fit_colour(), with the colour's name.
Result<void> fit_colours(const footage::FrameSet& frames,
                         const std::vector<DetectedFrame>& detected,
                         const DetectFramesOptions& detect_options,
                         const fit::FitOptions& fit_options,
                         Calibration& calibration);

}  // namespace trueplate
