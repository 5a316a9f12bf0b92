#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/target/view.h"

namespace trueplate::target {

/// Whether a frame holds one moment, or two in alternate rows.
enum class Fields {
  kOne,    // progressive
  kStill,  // interlaced by its file's word, but nothing moves between the fields
  kTwo,    // interlaced: points are smeared between two places
};

/// A view that may be worth fitting.
struct Candidate {
  View view;
  std::optional<int> frame_number;                            // neighbours in a movie differ by one
  double blur_px = std::numeric_limits<double>::quiet_NaN();  // of its points; NaN: not known
  std::string repeats = {};  // the earlier view whose picture it shows again; empty: none
  Fields fields = Fields::kOne;
};

/// Why candidates should not be fitted however few there are: repeats of an earlier view, which
/// would count twice, and interlaced ones while kFewestSoundViews better ones (or all there are)
/// remain. Empty for the others and for candidates without corners.
inline constexpr int kFewestSoundViews = 5;
std::vector<std::string> unsound_views(const std::vector<Candidate>& candidates);

struct ChoiceOptions {
  int most_views = 60;
  /// A view is blurred when its blur exceeds that of the sharp ones (the first quartile) by this
  /// factor and by kMinExtraBlurPx.
  double blur_factor = 1.6;
  /// A chart that moves faster than this (px from frame to frame, typical point) is smeared by the
  /// exposure and sheared by a shutter that rolls.
  double max_motion_px = 4.0;
};
inline constexpr double kMinExtraBlurPx = 0.4;

/// What became of a candidate.
struct ChoiceResult {
  bool chosen = false;
  std::string reason;  // why it was not; empty when it was
};

/// Chooses the views worth fitting from hundreds or thousands: sharp, still, different in pose,
/// covering the whole plate, its edges and corners first. In the order of the candidates.
///
/// A view's pose is described by where the chart's middle lies and by how its grid steps look at
/// the middle and at the four ends: size, roll, tilt and distance all show in them. One after
/// another the view is taken that adds most: cells of the plate that were seen least, and a pose
/// least like those taken. A view less than kSamePose from one that was taken adds nothing.
///
/// The blurred and the moving ones go first, unless fewer than kFewestViews would be left.
/// Candidates without corners are passed over with an empty reason. Deterministic; pure; safe from
/// any thread.
std::vector<ChoiceResult> choose_views(const std::vector<Candidate>& candidates,
                                       const ChoiceOptions& options = {});

/// In units of the pose description: shares of the plate's width, and of a grid step.
inline constexpr double kSamePose = 0.015;
inline constexpr int kFewestViews = 10;

}  // namespace trueplate::target
