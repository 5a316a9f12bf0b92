#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame_set.h"
#include "calib/profile/profile.h"
#include "calib/zoom/colour_zoom.h"
#include "calib/zoom/frame_states.h"
#include "cli/command.h"
#include "cli/profile_option.h"
#include "cli/state_options.h"
#include "warp/io/lens_attributes.h"

namespace trueplate::cli {

/// A lens for every frame.
struct PerFrameArguments {
  std::string source;  // a table .csv, frames, or "headers"; empty: one lens for all
  double smooth_frames = 0.0;

  [[nodiscard]] bool given() const { return !source.empty(); }
};
/// `own_headers`: whether the command has frames of its own, for `--per-frame headers`.
enum class OwnHeaders { kYes, kNo };
void add_per_frame_options(CLI::App& app, PerFrameArguments& arguments, OwnHeaders own_headers);

/// What is said of --smooth without --per-frame.
[[nodiscard]] Error smooth_alone();

/// Where the lenses of a shot come from, and what is wanted of them.
struct ShotSource {
  const std::string& path;  // of the profile
  const StateArguments& state;
  const PerFrameArguments& per_frame;
  const footage::FrameSet* frames = nullptr;  // those that need a lens; null: those that are told
  bool by_colour = false;                     // with the lenses of red and blue
  int threads = 0;
};

/// The lenses of the frames of a shot.
class FrameLenses {
 public:
  /// Reads where the lens stood, from a table or from headers of frames, smooths it, and makes the
  /// lens of every frame. What the source does not say is as `state` says. Of a table all rows are
  /// made, whichever frames need a lens, so that jobs with parts of a shot agree on its overscan;
  /// a row that cannot be made is left out, unless its frame needs it.
  /// errors  those of reading; a frame without a number, or that the source does not have; those of
  ///         zoom::ZoomLens::at(), with the frame; kUnsupported: by colour, of stations that are
  ///         not; kInterrupted
  static Result<FrameLenses> create(const profile::Profile& profile, const ShotSource& source);

  [[nodiscard]] const std::map<int, zoom::ColourZoom::AtState>& at_frames() const {
    return at_frames_;
  }
  /// By the number of a frame that was asked for; green's of several colours.
  [[nodiscard]] const lens::Lens& lens(int frame) const { return at_frames_.at(frame).green.lens; }
  /// Of a shot by colour.
  [[nodiscard]] ColourLenses colours(int frame) const;
  [[nodiscard]] std::vector<lens::Lens> all() const;
  /// Those of a frame that share a straight picture, as lenses_of() gives those of a profile.
  [[nodiscard]] std::vector<lens::Lens> sharing(int frame, const std::string& channel) const;

  /// What the lens of a frame puts into headers, beside what `profile` does for all. How it was set
  /// the headers say themselves where it was read from them.
  [[nodiscard]] warp::LensAttributes attributes(const profile::Profile& profile, int frame) const;

  /// Over all frames: `extrapolated` (value: the largest sigma in px) and others that some frame
  /// has, each once, with how many frames have it.
  [[nodiscard]] std::vector<Warning> warnings() const;
  /// [{frame, focal_mm, focus_m, t_stop, focal_px, principal_point_px, sigma_px}]
  [[nodiscard]] nlohmann::json json() const;
  /// One line: how many frames, from which to which state, how well known.
  [[nodiscard]] std::string text() const;

 private:
  std::map<int, zoom::ColourZoom::AtState> at_frames_;
  bool from_headers_ = false;
};

/// A profile for the frames of a shot: at one state, or with a lens for each of them.
struct ShotProfile {
  profile::Profile whole;    // as it is on file
  profile::Profile profile;  // of one station: that of the state, or of the first frame
  std::optional<FrameLenses> lenses;
  std::vector<Warning> warnings;
};
Result<ShotProfile> read_shot_profile(const ShotSource& source);

}  // namespace trueplate::cli
