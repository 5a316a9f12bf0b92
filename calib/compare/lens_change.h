#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/profile/profile.h"

namespace trueplate::compare {

enum class ChangeVerdict {
  kChanged,             // more than both uncertainties explain
  kNotDistinguishable,  // no more, and a change that matters would have shown
  kTooUncertain,        // no more, but such a change might hide in the uncertainties
};
/// `changed`, `not-distinguishable`, `too-uncertain`.
[[nodiscard]] std::string_view verdict_name(ChangeVerdict verdict);

/// The chance of `changed` for a lens that did not change.
inline constexpr double kFalseAlarmRate = 0.01;
/// How likely a change of the detectable size is found.
inline constexpr double kDetectionRate = 0.9;
/// The change, root mean square over the plate in px, that matters where nothing else is said: what
/// a controlled grid's fit is expected to leave at most (common practice, no source).
inline constexpr double kChangeThatMattersPx = 0.3;
/// Two models of one lens may lie apart by this much, root mean square, without being in either
/// covariance.
inline constexpr double kModelsApartPx = 0.005;

struct ChangeOptions {
  double matters_px = kChangeThatMattersPx;
  double false_alarm_rate = kFalseAlarmRate;
};

/// Distances on the plate of where two lenses image one ray.
struct FieldDifference {
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d max_at_px = {0.0, 0.0};
};

/// Where the second lens images the ray that the first has at a place, less that place; after turn
/// and focal length.
struct PlaceDifference {
  Point2d p_plate_px = {0.0, 0.0};
  Point2d difference_px = {0.0, 0.0};
};

/// What became of a lens between two calibrations.
///
/// Over a grid on the plate, r is the difference of the two fields after the turn and common change
/// of focal length a camera solve absorbs, C its covariance: J Sigma J^T of both calibrations,
/// which are taken for independent, the same motions taken out of J. The statistic is the
/// Mahalanobis distance
///     T = r^T (C + f I)^-1 r,
/// f a floor for what is in neither covariance: both misfits of the models as the profiles state
/// them, and kModelsApartPx, as a smooth field of kFieldFreedom degrees of freedom. Where lenses
/// did not change T is a sum of squared normals with known weights, so p follows without a fitted
/// threshold. How often the verdict is right was measured by simulation (docs/compare.md).
struct LensChange {
  ChangeVerdict verdict = ChangeVerdict::kTooUncertain;
  FieldDifference before;                    // as the calibrations stand
  FieldDifference after;                     // after turn and focal length
  std::vector<PlaceDifference> places = {};  // over the grid, those that both see
  double turn_deg = 0.0;
  double focal_ratio = 1.0;
  bool has_uncertainty = false;   // both calibrations state one; else the following mean nothing
  double p_value = 1.0;           // the chance of such a T from the uncertainties alone
  double explained_rms_px = 0.0;  // what they let expect of after.rms_px
  /// A change of that size is found with kDetectionRate, whichever of these it is: third-order
  /// distortion, decentring in x or y, squeeze.
  double detectable_rms_px = 0.0;
};
inline constexpr int kFieldFreedom = 10;

/// Compares two calibrations; the second one is scaled to the first one's plate.
/// errors  kInvalidInput: plates of different shape; kUndetermined: fewer than 20 places that both
///         see.
Result<LensChange> lens_change(const profile::Station& first,
                               const profile::Station& second,
                               const ChangeOptions& options = {});

/// The verdict and the number behind it in one line, without a line break.
[[nodiscard]] std::string verdict_text(const LensChange& change, const ChangeOptions& options = {});

/// Two maps that are nowhere farther apart than this do the same to any picture.
inline constexpr double kSameMapPx = 0.01;

/// What to do about it, one sentence without a full stop: which of the two serves, or what to
/// shoot.
[[nodiscard]] std::string advice_text(const LensChange& change, const ChangeOptions& options = {});

/// Why p and the two figures in px seem to contradict each other, one sentence; empty where they do
/// not: `changed` though no larger than explained, or not `changed` though larger.
[[nodiscard]] std::string_view chance_and_size_text(const LensChange& change);

}  // namespace trueplate::compare
