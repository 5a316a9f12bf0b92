#pragma once

#include <cstddef>
#include <span>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/compare/lens_change.h"
#include "calib/profile/profile.h"
#include "calib/zoom/zoom_state.h"

namespace trueplate::compare {

/// A state at which both calibrations have a station.
struct StationChange {
  zoom::ZoomState state;
  std::size_t first = 0;  // the stations, from 0
  std::size_t second = 0;
  LensChange change;
};

/// A state at which at least one of the lenses is interpolated.
struct BetweenChange {
  zoom::ZoomState state;
  FieldDifference apart;  // after turn and focal length
  /// What both lenses are known to there, one standard deviation each, together; of interpolating
  /// it is a bound rather than a scatter, so no chance follows from it.
  double sigma_px = 0.0;
};

/// What became of a lens with many stations between two calibrations.
///
/// Each pair of stations at one state is compared by itself (lens_change()), at the false alarm
/// rate divided by the number of pairs, which holds the rate of all together whatever the stations
/// have in common (Bonferroni; pooled stations do). So the lens changed where any pair did. Beside
/// the stations, and at states that only one calibration has a station for, the interpolated lenses
/// are compared; they do not decide.
struct ZoomChange {
  ChangeVerdict verdict = ChangeVerdict::kTooUncertain;
  std::vector<StationChange> stations;  // in the order of the first calibration's
  std::vector<BetweenChange> between;
  std::size_t num_only_first = 0;  // stations without a counterpart
  std::size_t num_only_second = 0;
  std::size_t num_changed = 0;  // pairs of stations, as are the following
  std::size_t num_uncertain = 0;
  double p_value = 1.0;            // the smallest times their number, 1 at most
  double detectable_rms_px = 0.0;  // the largest; 0: not known
};

/// Compares two calibrations, one of which at least has several stations; the second is scaled to
/// the first one's plate.
/// errors  kInvalidInput: no state that both lenses reach; plates of different shape; those of
///         zoom::ZoomLens::create(), for `first` or `second`
Result<ZoomChange> zoom_change(std::span<const profile::Station> first,
                               std::span<const profile::Station> second,
                               const ChangeOptions& options = {});

/// The verdict and the numbers behind it in one line, without a line break.
[[nodiscard]] std::string verdict_text(const ZoomChange& change, const ChangeOptions& options = {});

}  // namespace trueplate::compare
