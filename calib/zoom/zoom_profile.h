#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/profile.h"
#include "calib/zoom/colour_zoom.h"
#include "calib/zoom/pool.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::zoom {

/// A profile to be gathered, and what it is called in messages.
struct NamedProfile {
  std::string name;
  profile::Profile profile;
};

enum class Pooling { kAuto, kNone };

struct GatherOptions {
  Pooling pooling = Pooling::kAuto;
  std::string created;          // UTC, RFC 3339
  std::string program_version;  // provenance
};

struct Gathered {
  profile::Profile profile;
  std::vector<PoolTest> pool_tests;
  std::vector<Warning> warnings;  // the stations' doubts(), each with its state
};

/// One profile with the stations of several, by rising focal length, focus distance and T-stop.
/// What the stations have in common is pooled (pool()), and by how much each is missed without
/// itself is noted with it, and so are its doubts(). Labels that one profile lacks come from
/// another.
///
/// errors  kInvalidInput, naming the profile: lenses, serial numbers or bodies that differ; those
/// of
///         ZoomLens::create()
Result<Gathered> gather(std::vector<NamedProfile> profiles, const GatherOptions& options);

/// The profile of one state of a lens, for all that works with a single lens: its station has no
/// quality of a fit; the warning `interpolated` says how well it is known (value: sigma in px),
/// unless the state is that of a station, which then stays as it is. The lenses of red and blue are
/// those of channels_at(), or left out, with the warning `colours-left-out`, where `lens` has none
/// and some station does. The doubts() of the stations that count for more than a hundredth come
/// with it.
struct StateProfile {
  profile::Profile profile;  // one station
  StateSigma sigma;
};
Result<StateProfile> profile_at(const profile::Profile& profile,
                                const ColourZoom& lens,
                                const ZoomState& state,
                                Beyond beyond);

/// "35 mm, 2 m, T4", of what is stated.
[[nodiscard]] std::string state_text(const ZoomState& state);

/// How the picture changes as the focus is pulled, at one focal length.
struct Breathing {
  double focal_mm = 0.0;
  struct Point {
    double focus_m = 0.0;
    double pinhole_mm = 0.0;  // along x; 0 without a film back
    double horizontal_view_deg =
        0.0;                     // on the plate, distortion included; 0 where it has no inverse
    double scale_percent = 0.0;  // how much larger things are seen than at the farthest focus
    bool is_station = false;
  };
  std::vector<Point> points;  // from near to far
};
/// At every focal length that has stations, and every focus distance that any has. Empty where no
/// focus is stated.
[[nodiscard]] std::vector<Breathing> breathing(const profile::Profile& profile,
                                               const ZoomLens& lens);

}  // namespace trueplate::zoom
