#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/lens/lens.h"
#include "calib/plate/tracks.h"

namespace trueplate::plate {

struct TrialOptions {
  std::optional<double> focal_px = {};  // along x, when it is known; else it is solved for
  double focal_ratio = 1.0;             // y over x in pixels: pixel aspect and squeeze
  std::optional<lens::Lens> lens = {};  // the profile; it brings its focal length
  std::optional<std::array<int, 2>> keyframes = {};  // indices of frames to start with
  int threads = 0;  // 0 = all cores; the result does not depend on it
};

/// With which lens a camera was solved: without one, with the profile, with radial terms free at
/// the focal length as in those, or with both free, which is tried where a given focal length does
/// not fit.
enum class LensUse { kNone, kProfile, kFree, kAllFree };
[[nodiscard]] std::string_view name_of(
    LensUse lens);  // "no lens", "profile", "lens free", "all free"

/// Distances between measured and predicted points, in plate pixels.
struct ErrorFigures {
  /// The average error: root mean square of the distances.
  double rms_px = 0.0;
  double mean_px = 0.0;
  double max_px = 0.0;
  int num_points = 0;
};

/// Where the average error of a solve stands by common practice (no source): to kAimPx aim, above
/// it suspect, above kBadPx bad, for a plate 2048 px wide; in proportion for others.
enum class Band { kAim, kSuspect, kBad };
inline constexpr double kAimPx = 1.0;
inline constexpr double kBadPx = 2.0;
inline constexpr double kBandWidthPx = 2048.0;
[[nodiscard]] Band band_of(double rms_px, ImageSize plate_size);
[[nodiscard]] std::string_view name_of(Band band);  // "aim", "suspect", "bad"

/// X_camera = rotation X_world + translation; x right, y down, z forward.
struct CameraPose {
  Eigen::Matrix3d rotation = Eigen::Matrix3d::Identity();
  Eigen::Vector3d translation = Eigen::Vector3d::Zero();

  [[nodiscard]] Eigen::Vector3d position() const { return -rotation.transpose() * translation; }
};

/// Errors in a ring about the principal point; the lens shows as a pattern over the rings.
struct RingError {
  double outer_radius_px = 0.0;
  double rms_px = 0.0;
  double mean_radial_px = 0.0;  // outward part of measured less predicted
  int num_points = 0;
};

/// The camera of a shot. World axes are those of the first keyframe's camera, lengths those of the
/// distance between the keyframes, until plate::placed() says otherwise.
struct CameraSolve {
  LensUse lens_use = LensUse::kNone;
  /// Focal length, principal point and model by which points are imaged. Of the profile, or
  /// radial-tangential with k1 and k2.
  lens::Lens lens;
  bool focal_solved = false;
  std::vector<std::optional<CameraPose>> poses;        // of each frame
  std::vector<std::optional<Eigen::Vector3d>> points;  // of each track
  ErrorFigures used;                                   // what was fitted
  ErrorFigures all;                                    // with what was left out as wrong
  std::vector<std::optional<double>> track_rms_px;     // over all its points
  std::vector<std::optional<double>> frame_rms_px;     // over what was fitted
  std::vector<std::optional<Point2d>> residuals_px;    // of Tracks::points, measured - predicted
  std::array<RingError, 4> rings{};                    // equally wide, of what was fitted
};

/// What can be wrong with a shot, or nothing.
enum class Cause {
  kGood,
  kMarkersOff,
  kSlippedTrack,
  kLens,
  kWrongFocal,
  kLittleParallax,
  kOnePlane,
  kPureRotation,
  kTooFewCommon,
  kPixelAspect,
};
[[nodiscard]] std::string_view name_of(Cause cause);  // kebab-case, for scripts: "slipped-track"

struct Finding {
  Cause cause = Cause::kGood;
  /// What it adds to the average error (in quadrature), in pixels; 0 where that means nothing.
  double share_px = 0.0;
  std::string words;  // one or two sentences with the evidence
  /// As well possible: the figures lie at the border between the two.
  std::optional<Cause> or_cause = {};
};

/// How a track fails to go with the others: somehow; by jumping once, and staying; by leaving its
/// place evenly.
enum class FaultKind { kOff, kSlipped, kDrifts };
[[nodiscard]] std::string_view name_of(FaultKind kind);  // "off", "slipped", "drifts"

struct TrackFault {
  int track = 0;
  FaultKind kind = FaultKind::kOff;
  /// The track that it changed places with: where both jump to where the other one was.
  std::optional<int> swapped_with = {};
  int frame = 0;         // index of the first frame after the jump, else of the worst
  double size_px = 0.0;  // of the jump, the way drifted from first to last frame, the largest error
  double drift_px_per_frame = 0.0;  // of one that drifts
  double rms_px = 0.0;              // over all its points
  std::vector<int> frames;          // indices of the frames left out
};

/// The lens from the tracks.
struct LensEstimate {
  int num_radial = 0;  // terms that the data call for
  double focal_px = 0.0;
  std::array<double, 2> radial{};        // k1, k2 of the model radial-tangential
  std::optional<double> focal_sigma_px;  // absent when the focal length was given
  std::array<double, 2> radial_sigma{};
  /// Of focal length in px, k1, k2; zero for what was held.
  Eigen::Matrix3d covariance = Eigen::Matrix3d::Zero();
  /// How many times wider the parts of the shot make the first of these than the noise of
  /// independent points would: tracks that drift, or a lens of another kind.
  double scatter = 1.0;
  double edge_radius_px = 0.0;  // of the outermost points, from the centre
  double edge_shift_px = 0.0;   // what the radial terms move there
  double edge_sigma_px = 0.0;   // its standard deviation
  /// What of that comes from the focal length as given: by so much the shift would change with the
  /// one that fits the tracks best. 0 when the focal length was solved for.
  double edge_by_focal_px = 0.0;
  double p_value = 1.0;     // chance of such an improvement from noise alone (F test)
  bool determined = false;  // edge_sigma_px and the focal length's sigma are small enough
  std::string words;
};

/// Largest edge_sigma_px (for a plate 2048 px wide) and largest relative sigma of a solved focal
/// length at which the lens from tracks counts as determined.
inline constexpr double kEdgeSigmaPx = 1.0;
inline constexpr double kFocalSigma = 0.02;

/// What a trial solve found.
struct Trial {
  ImageSize plate_size;
  std::array<int, 2> keyframes{-1, -1};  // indices
  int num_common = 0;                    // tracks that the keyframes share
  double parallax_px = 0.0;         // of these, after the best turn of the camera; root mean square
  double noise_px = 0.0;            // standard deviation of a measured coordinate, robust
  std::vector<CameraSolve> solves;  // in the order of LensUse; empty if unsolvable
  std::vector<Finding> findings;    // at least one; the first is the verdict
  std::vector<TrackFault> faults;   // the worst first
  LensEstimate lens;
  std::vector<int> unsolved_frames;  // that see too few known points
  std::vector<int> unsolved_tracks;  // seen too rarely, with too little parallax, or off throughout
  int num_left_out = 0;              // points left out as wrong
  std::vector<Warning> warnings;

  /// With the profile if there is one, else without lens; null if there was no solve.
  [[nodiscard]] const CameraSolve* as_given() const;
  [[nodiscard]] const CameraSolve* find(LensUse lens) const;
};

/// Solves the camera of a static scene with different lenses, and says whether the lens is the
/// problem. `tracks` need a plate size unless a profile has one. A shot that cannot be solved is
/// no error: the trial then has a finding that says why, and no solves. Errors: no plate size, or
/// one of another shape than the profile's; more points beside the plate than on it; options that
/// make no sense.
///
/// Start: the pair of frames with many common tracks and much parallax, five-point method; then all
/// frames by resection and triangulation; bundle adjustment with Cauchy's loss; points that do not
/// fit then (kFaultSigmas) are left out; least squares over the rest.
Result<Trial> try_solve(const Tracks& tracks, const TrialOptions& options);

/// A point is left out when its error is larger than this many robust standard deviations and than
/// kFaultPx (for a plate 2048 px wide).
inline constexpr double kFaultSigmas = 6.0;
inline constexpr double kFaultPx = 1.0;

}  // namespace trueplate::plate
