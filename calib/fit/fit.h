#pragma once

#include <Eigen/Core>
#include <atomic>
#include <cstddef>
#include <limits>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/fit/chart_fit.h"
#include "calib/fit/closed_form.h"
#include "calib/lens/lens.h"
#include "calib/target/view.h"

namespace trueplate::fit {

/// Whether the focal length is looked for or believed.
enum class FocalMode {
  kFree,      // both focal lengths are fitted; FitOptions::focal_px, if any, is one more start
  kOneFixed,  // x stays at FitOptions::focal_px, y is fitted: their ratio is looked for
  kFixed,     // both stay at FitOptions::focal_px, which must be given
};

/// What happens to corners and frames that do not fit.
enum class Rejection {
  kOff,     // the exact least-squares optimum over every usable corner
  kRobust,  // a robust fit first, then corners and frames beyond the limit are left out
};

/// How much a corner counts.
enum class Weighting {
  kEqual,    // all the same
  kBySigma,  // by 1 / Corner::sigma_px where that is known; residuals are still reported in pixels
};

/// How far `chart_distance_mm` may be off when nothing else is said: this share of it, but at least
/// so many mm, for nobody sees where the entrance pupil is. Common practice without a source.
inline constexpr double kChartDistanceShare = 0.01;
inline constexpr double kLeastChartDistanceSigmaMm = 20.0;

struct FitOptions {
  std::string model = "radial-tangential";  // a name from lens::model_table()
  bool model_was_chosen = false;            // among all of them, for the words of warnings
  FocalMode focal_mode = FocalMode::kFree;
  /// A start, or the truth with FocalMode::kFixed; 0.05 to 200 times the plate's longer side.
  std::optional<Point2d> focal_px = std::nullopt;
  double focal_ratio = 1.0;  // expected focal_px.x / focal_px.y; for starts and one warning
  /// How far the chart's plane was from the lens (its entrance pupil), square to the plane, with
  /// its standard deviation: a measurement of its own, which tells the focal length where the views
  /// do not. Only with FocalMode::kFree.
  std::optional<Measured> chart_distance_mm = std::nullopt;
  Rejection rejection = Rejection::kRobust;
  /// A corner goes when its residual exceeds this many robust standard deviations (per coordinate)
  /// of its frame and of all frames. At 5 and Gaussian noise that is 4 corners in a million.
  double rejection_limit_sigma = 5.0;
  /// A frame goes when its robust standard deviation exceeds this multiple of the median frame's.
  double frame_limit_factor = 5.0;
  /// Views that do not take part, by their places in the list, each with the reason that
  /// FrameFit::reason gives.
  std::map<std::size_t, std::string> left_out = {};
  Weighting weighting = Weighting::kEqual;
  /// What is believed of the chart, and whether its points are known again in other views.
  ChartShape chart_shape = ChartShape::kAuto;
  int bend_degree = kSmallestBend;  // of a bend that chart_shape asks for, to kLargestBend
  ChartIdentity chart_identity = ChartIdentity::kUnknown;
  int held_out_folds = 5;  // 0 = do not compute held_out_rms_px; else at least 2
  int threads = 0;         // for the held-out fits; 0 = all cores
  const std::atomic<bool>* interrupt = nullptr;  // when it becomes true the call returns an error
};

/// Makes `options` ask for the shape that a fit found.
void take_shape(const ChartFit& chart, FitOptions& options);

/// One corner after the fit.
struct PointFit {
  Point2d residual_px = {0.0, 0.0};  // measured minus predicted; NaN where there is no prediction
  bool used = false;
  std::string reason;  // why it was left out; empty when used
};

/// One frame after the fit.
struct FrameFit {
  std::string frame;
  int num_points = 0;   // corners in the view
  int num_used = 0;     // corners that took part in the last fit
  double rms_px = 0.0;  // over the used corners; over all usable ones when not used
  bool used = false;
  std::string reason;      // why the frame was left out; empty when used
  Pose camera_from_chart;  // the last fit's; meaningless when has_pose is false
  bool has_pose = false;
  Eigen::Vector3d chart_normal = {
      0.0, 0.0, 1.0};            // unit vector in camera axes, away from the camera
  double tilt_deg = 0.0;         // between the chart's normal and the optical axis, 0 .. 90
  std::vector<PointFit> points;  // one for each corner of the view, in its order
  /// This frame's share of held_out_rms_px: the sum of squares over its judgements; NaN where there
  /// was none.
  double held_out_squares_px2 = std::numeric_limits<double>::quiet_NaN();
};

/// What a lens would have been that was kept from folding.
struct FoldHeld {
  double invertible_share = 0.0;  // of places in the frame and a margin, 0..1
  double rms_px = 0.0;            // of the fit left to itself
  bool held = true;               // false: it could not be, and the lens is that fit
};

/// What the lens does, as the residuals have it, that its model cannot: a displacement on the
/// plate, a field of cubic B-splines, that is the same in all frames and that no choice of the
/// model's parameters and the poses explains. Residuals alone show less than that: the fit hides
/// what it can in the parameters, and poses hide their share in every frame. Here both are free to
/// give way.
struct MapMisfit {
  double p_value = 1.0;         // the chance of such a pattern from noise alone
  double noise_sigma_px = 0.0;  // per coordinate, of what the field does not explain either
  /// By how much the map is off for it: root mean square over the plate, and the largest, with
  /// its place; after the best rotation and focal change. 0 where the pattern may be chance.
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d worst_plate_px = {0.0, 0.0};

  // The field: all that map_sigma_px() needs. Empty where the pattern may be chance.
  int cells = 0;               // of the splines, along the plate's longer side
  Eigen::MatrixXd moment_px2;  // expected products of its coefficients
  Eigen::MatrixXd give_way;    // change of the intrinsics for a change of a coefficient
  [[nodiscard]] bool present() const { return moment_px2.size() > 0; }
};

/// A fitted lens and all that is needed to judge it.
///
/// Parameter order in `parameter_names`, `parameters`, `sigma` and `covariance`: focal_x_px,
/// focal_y_px, principal_x_px, principal_y_px, then the model's own names. Parameters that were not
/// fitted have sigma and covariance 0.
struct LensFit {
  lens::Lens
      lens;  // plate_size, focal_px, principal_point_px and model are set, the rest is default
  std::vector<std::string> parameter_names;
  Eigen::VectorXd parameters;
  Eigen::VectorXd sigma;  // one standard deviation
  /// noise_sigma_px^2 times the intrinsics' block of (J^T J)^-1: what noise does to the parameters
  /// of this model. What a wrong model does to the map is in `misfit` and in the map's sigma.
  Eigen::MatrixXd covariance;

  ChartFit chart;  // what the views say about the print

  std::vector<FrameFit> frames;  // in the order of the views given
  int num_points = 0;            // used corners
  int num_frames = 0;            // used frames

  double rms_px = 0.0;           // sqrt(sum(dx^2 + dy^2) / num_points), used corners
  double max_residual_px = 0.0;  // longest residual vector of a used corner
  double p95_residual_px = 0.0;  // 95 % of used corners have one no longer than this
  /// Per coordinate: sqrt(SSE / (2 num_points - fitted parameters)). With Weighting::kBySigma, of a
  /// corner whose sigma_px is the median.
  double noise_sigma_px = 0.0;

  /// How many intrinsics the corners determine: their number, less what is held (fixed focal
  /// lengths; of coefficients drawn towards a value the share that this determines).
  double num_effective = 0.0;

  /// Stiffness of a model's prior, chosen by cross-validation (the spline field's: pixels, see
  /// docs/lens-models.md); nullopt where the model is a formula.
  std::optional<double> stiffness_px;

  /// The share of noise_sigma_px^2 that is not noise: 1 - (local noise / noise_sigma_px)^2, where
  /// the local noise comes from differences between neighbouring corners, which a wrong model or a
  /// bent chart hardly touches. Near 0 (it may be slightly negative) where the model holds. Where
  /// it is large, sigma, covariance and map sigma are too small, for they take all residuals for
  /// noise. nullopt when the corners form no regular grid or are few.
  std::optional<double> systematic_share;

  /// The residual to expect in a frame the fit has not seen; nullopt when there are too few frames
  /// or it was not asked for. The used frames, sorted by name, are cut into
  /// FitOptions::held_out_folds runs (neighbouring frames of a movie are nearly the same picture,
  /// so they stay together). For each run the lens is fitted to the other frames; then, with the
  /// lens fixed, each frame of the run gets its pose from one half of its corners (drawn by a fixed
  /// rule) and is judged on the other half, and the same with the halves exchanged. The number is
  /// the rms per point over all these judgements.
  std::optional<double> held_out_rms_px;

  /// nullopt when there are too few corners for the question.
  std::optional<MapMisfit> misfit;

  /// Expected error of the lens map (in the literature the root of the expected mapping error): how
  /// far the plate position of a fixed ray may be off, one standard deviation, for the noise of the
  /// corners and for what the model cannot follow (`misfit`), after the rotation and common change
  /// of focal length that a camera solve absorbs. Root mean square over the plate, and the largest
  /// value (at a corner or edge). See map_sigma_px().
  double map_sigma_rms_px = 0.0;
  double map_sigma_max_px = 0.0;
  /// The share of places on the plate that these are about: those that see a ray. 1 but for lenses
  /// whose picture does not fill the plate.
  double map_sigma_share = 1.0;

  /// Set when the views do not tell the focal length from the distance and it was taken from
  /// outside or assumed: the focal lengths (x, in pixels) that fit as well, least and most.
  std::optional<std::pair<double, double>> focal_range_px;

  /// Set when a chart distance was given: the focal length (x) that follows from it alone. sigma
  /// takes in by how much the frames' distances differ from each other.
  std::optional<Measured> focal_from_distance_px;

  /// Set when the fit left to itself folds back inside the frame: its coefficients were held where
  /// it does not or could not be, and a part of the frame has no inverse.
  std::optional<FoldHeld> fold;

  StartPinhole start;  // where the fit began
  int iterations = 0;  // of the non-linear solver, all stages but the held-out ones
  double seconds = 0.0;
  std::vector<Warning> warnings;
};

/// Fits a lens to the corners of several views of a chart.
///
/// Minimises the sum of squared distances, in plate pixels, between measured and predicted corners
/// over focal length, principal point, the model's coefficients and one pose per frame. Poses are
/// eliminated (Schur complement), so the cost is linear in the number of frames. With
/// Rejection::kRobust a Cauchy-weighted fit comes first and its scale decides which corners and
/// frames are left out; the last fit is always plain least squares over what is left, so that the
/// covariance is honest. Charts need not be flat, but the start assumes that they nearly are.
///
/// A chart that is not as described (bent, stretched, its points off their places) is fitted along
/// with the lens where the views demand it and show the same points: FitOptions::chart_shape,
/// LensFit::chart. The uncertainty of the lens then includes that of the chart. The idea of
/// releasing the chart's points is that of Strobl and Hirzinger, More Accurate Pinhole Camera
/// Calibration with Imperfect Planar Target, ICCV Workshops 2011.
///
/// Neither the order of the views nor the number of threads changes a bit of the result.
///
/// Views that are all nearly square-on determine how to straighten the picture, but not the focal
/// length: it is then taken from FitOptions::focal_px, or assumed, and LensFit::focal_range_px and
/// a warning say so; covariance and sigma cover that range. Where the straightening depends on it
/// the fit is refused.
///
/// FitOptions::chart_distance_mm is one more measurement, of the mean distance of the used frames:
/// it is weighed against what the views say of the focal length, by the standard deviations of
/// both, and decides alone where they say nothing. A warning says when the two do not agree.
///
/// A fit that folds back inside the frame or a margin of 1 % around it is made again, held where it
/// does not; LensFit::fold and a warning then say so, and whether that succeeded.
///
/// Doubt comes back as LensFit::warnings. Errors:
///   kInvalidInput  an option out of range, no views
///   kNoChart       no frame is usable (each frame's reason is quoted)
///   kUndetermined  one distinct view that is tilted, with a free focal length; views that leave
///                  the lens undetermined; a focal length that runs away
///   kInterrupted   FitOptions::interrupt became true: within an iteration of the solver
Result<LensFit> fit_lens(const std::vector<target::View>& views, const FitOptions& options);

/// What a later step can repair, and which therefore does not count as an error of the lens map.
enum class Absorbed {
  kNothing,
  kRotation,          // a small camera rotation; what a camera solve always finds for itself
  kRotationAndFocal,  // also a common change of both focal lengths; a solve with free focal length
  kProjective,        // whatever keeps straight lines straight: what is left bends them
};

/// How far the plate position of the ray that is seen at p_plate_px may be off, in pixels, one
/// standard deviation: the square root of the larger eigenvalue of J covariance J^T with J =
/// dq/dtheta, and of the same for LensFit::misfit where there is one; the motions in `absorbed` are
/// first removed from J in the least-squares sense over a grid on the plate. nullopt where the lens
/// has no inverse.
[[nodiscard]] std::optional<double> map_sigma_px(const LensFit& fit,
                                                 const Point2d& p_plate_px,
                                                 Absorbed absorbed = Absorbed::kRotationAndFocal);

}  // namespace trueplate::fit
