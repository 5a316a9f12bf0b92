#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/lens/lens.h"
#include "calib/plate/line_set.h"

namespace trueplate::plate {

/// What happens to lines that no common lens makes straight.
enum class LineRejection {
  kOff,
  kByShape,  // left out where their departure has a shape, beyond the noise of all
};

struct LineFitOptions {
  /// `auto`, or one of line_models().
  std::string model = "auto";
  /// Of radial-tangential: 1 (k1) or 2 (k1, k2) are fitted, the others stay 0. 0: chosen.
  int radial_terms = 0;
  /// Lines do not tell it: what is given, else kAssumedFocal times the plate's longer side.
  std::optional<Point2d> focal_px = std::nullopt;
  double focal_ratio = 1.0;  // focal_px.x / focal_px.y where focal_px is not given
  /// Where given, the distortion centre stays there. Else it is looked for about the middle of the
  /// plate, which counts as known to kCentreDoubt of the plate's longer side (one standard
  /// deviation): so it moves as far as the lines determine it, and no farther.
  std::optional<Point2d> centre_px = std::nullopt;
  LineRejection rejection = LineRejection::kByShape;
  int held_out_folds = 5;  // 0: none
};

inline constexpr double kAssumedFocal = 1.2;
inline constexpr double kCentreDoubt = 0.02;
/// The fit takes no more lines, the longest, and no more points of a line, evenly chosen.
inline constexpr std::size_t kMostLines = 1000;
inline constexpr std::size_t kMostPointsPerLine = 200;
/// Lines are refused when they leave the bend of a straight line along the frame's longer edge
/// uncertain by more than this share of the shorter side, one standard deviation.
inline constexpr double kMostEdgeBendDoubt = 0.02;

/// Of lenses that the warning `strong-lens` is about the true error was this many times the stated
/// one, rms (calib/plate/test_line_doubt, table of docs/accuracy.md).
inline constexpr double kStrongLensExcess = 1.6;

/// Largest distance of points from their best straight line, and root mean square, in px.
struct Straightness {
  double max_px = 0.0;
  double rms_px = 0.0;
};

/// One line after the fit.
struct LineResult {
  std::string name;
  std::string frame;
  int num_points = 0;
  double length_px = 0.0;
  Straightness before;                // on the plate
  std::optional<Straightness> after;  // in the straightened picture; nullopt: no inverse there
  /// Root mean square distance, in plate px, from the image of the best straight line.
  std::optional<double> residual_rms_px;
  bool used = false;
  std::string reason;  // why it was left out; empty when used
};

/// How far apart the maps of two lenses are over the plate, in plate pixels, after the best scale
/// and shift of each axis, which a camera solve takes up.
struct MapsApart {
  double rms_px = 0.0;  // over the plate's area
  double max_px = 0.0;  // corners and edges included
  Point2d worst_plate_px = {0.0, 0.0};
};

/// A lens model on trial, all on the same lines.
struct LineTrial {
  std::string model;
  int num_coefficients = 0;
  std::optional<double> rms_px;  // nullopt: it could not be fitted
  std::optional<double> held_out_rms_px;
  double held_out_gain = 0.0;  // over the model chosen so far, in standard errors over the lines
  double weight = 0.0;         // how likely it is beside the others by these lines; all together 1
  std::optional<MapsApart> apart =
      std::nullopt;  // from the one chosen; nullopt: one has no inverse somewhere
  bool chosen = false;
  std::string reason;  // why it was not chosen
};

/// How far from the straight a line along the frame's longer edge (top, or left of a high plate) is
/// imaged: distance from the frame's axis at its ends less that in its middle; barrel is negative.
struct EdgeBend {
  double value_px = 0.0;
  double sigma_px = 0.0;
};

/// A lens from straight lines, and how far it can be trusted. Parameters as in fit::LensFit; focal
/// lengths, coefficients that were not fitted and a centre that was given have sigma 0.
struct LineFit {
  lens::Lens lens;  // plate_size, focal_px, principal_point_px, model; the rest is default
  std::vector<std::string> parameter_names;
  Eigen::VectorXd sigma;
  Eigen::MatrixXd covariance;

  std::vector<LineResult> lines;  // in the order given
  std::vector<LineTrial> trials;  // one when the model was given
  int num_lines = 0;              // used
  int num_points = 0;             // of them

  /// Distances, in plate px, of the used points from the images of their lines.
  double rms_px = 0.0;
  double max_px = 0.0;
  double p95_px = 0.0;
  std::optional<double> held_out_rms_px;  // of lines the fit had not seen, each with its own line
  double noise_px = 0.0;                  // standard deviation of a point about a smooth curve
  /// What the uncertainty is made from: the standard deviation per point that the slow parts
  /// (polynomials of low degree along each line) of the residuals show, or the scatter between the
  /// lines where that is larger. Points that share noise with their neighbours, and edges that are
  /// not quite straight, raise it above the noise.
  double structure_px = 0.0;
  double independent_points = 0.0;  // so many independent points would determine as much

  std::optional<EdgeBend> edge_bend;  // nullopt: the lens does not image the whole edge
  Window coverage;     // the smallest window, in plate px, that holds the used points
  double reach = 0.0;  // farthest used point from the centre, over the farthest corner
  /// As fit::map_sigma_px() with rotation and focal absorbed, and model_doubt.
  double map_sigma_rms_px = 0.0;
  double map_sigma_max_px = 0.0;
  /// What of these bends straight lines: a projective change absorbed as well. The rest is where
  /// the middle and the focal length are, which lines do not show.
  double bend_sigma_rms_px = 0.0;
  double bend_sigma_max_px = 0.0;
  /// What of these comes from models that these lines do not tell from the one chosen: by how much
  /// the maps of all models on trial are expected to be off from its own, each counted as likely as
  /// the lines make it. nullopt where the model was given, or nothing else is likely.
  std::optional<MapsApart> model_doubt;
  std::vector<Warning> warnings;
};

/// The models that lines are fitted with.
[[nodiscard]] std::vector<std::string> line_models();

/// Fits a lens to images of straight edges (the plumb-line method: D. C. Brown, Close-range camera
/// calibration, Photogrammetric Engineering 37(8), 1971, from memory).
///
/// Minimises the sum of squared orthogonal distances, in plate pixels, between the points and the
/// distorted images of straight lines, over coefficients, distortion centre and two parameters a
/// line, which are eliminated. Since distances are measured on the plate, the fit cannot shrink
/// them by shrinking the straightened picture.
///
/// Focal length, scale and aspect cannot be told from lines; the straightening does not depend on
/// the focal length (it and the coefficients go together), a camera solve does.
///
/// Which lines are straight in the world is found in two steps. Each line has one coefficient of
/// the one-parameter division model that makes it straightest; the mode of these, weighted by
/// length and certainty, is the start. Then lines whose residuals along the line have a shape
/// beyond what the others show (5 standard deviations, Wilson and Hilferty's approximation) are
/// left out, all lines being judged anew with each lens until nothing changes.
///
/// Errors:
///   kInvalidInput  an option out of range, a point that is not finite, a plate without size
///   kUndetermined  no line; lines that leave the distortion open: too few, too short, or all
///                  through the middle; lines that no lens makes straight, unless all are to be
///                  kept; the message says by how much
///   kNotConverged  no model could be fitted
Result<LineFit> fit_lens_to_lines(const LineSet& lines, const LineFitOptions& options);

}  // namespace trueplate::plate
