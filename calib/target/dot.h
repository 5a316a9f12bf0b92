#pragma once

#include <Eigen/Core>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"

namespace trueplate::target {

/// Where fit_dot() starts. Coordinates have the centre of pixel i at i + 0.5. "Unit" is any length
/// on the chart, such as the pitch.
struct DotGuess {
  Point2d p_px = {0.0, 0.0};
  /// How the chart around the dot is imaged: x(c) = p + first c + second (c_1^2/2, c_1 c_2,
  /// c_2^2/2), c on the chart, in units. Without `second` the fit ends at the centre of the
  /// ellipse, which is not the image of the dot's centre where scale changes over the dot.
  Eigen::Matrix2d first = Eigen::Matrix2d::Identity();
  Eigen::Matrix<double, 2, 3> second = Eigen::Matrix<double, 2, 3>::Zero();
  double radius = 1.0;   // of the dot, in units
  double spacing = 0.0;  // to the centre of the nearest neighbour, in units; 0: not known
  /// Where the search for the blur starts, px; 0: not known, several are tried.
  double blur_px = 0.0;
  /// By which share the contrast changes per px towards +x and +y, as the neighbours tell it.
  Point2d contrast_slope = {0.0, 0.0};
};

/// Settings of fit_dot().
struct DotOptions {
  double max_move_share = 0.6;     // of the radius: a fit that ends farther away is refused
  double max_misfit = 0.35;        // see Dot::misfit
  double min_completeness = 0.7;   // see Dot::completeness
  double max_out_of_round = 0.07;  // see Dot::out_of_round
  /// For a search: the edge to a few hundredths of a pixel, from fewer pixels.
  bool rough = false;
};

/// A dot, as fitted.
struct Dot {
  Point2d p_px = {0.0, 0.0};                                 // the image of the dot's centre
  Eigen::Matrix2d covariance_px2 = Eigen::Matrix2d::Zero();  // of p_px, from the residuals
  /// The ellipse: edge of the dot minus p_px = px_from_circle (cos t, sin t), bends left out.
  Eigen::Matrix2d px_from_circle = Eigen::Matrix2d::Identity();
  double radius = 0.0;    // in units of the guess, mean over the directions
  double blur_px = 0.0;   // standard deviation of the blur, that of the pixel's own area included
  double level = 0.0;     // of the paper at the dot, in the image's unit
  double contrast = 0.0;  // of the dot to the paper; negative: a dark dot
  double misfit = 0.0;    // rms of the residual / |contrast|, weighted
  /// 1 less the largest departure of the contrast over an eighth of the edge, as a share of the
  /// contrast; 0 where an eighth is not in sight.
  double completeness = 0.0;
  double out_of_round = 0.0;  // amplitude of a three- or four-cornered shape, share of the radius
  int num_pixels = 0;

  /// Standard deviation of one coordinate: sqrt(trace(covariance) / 2).
  [[nodiscard]] double sigma_px() const;
};

/// Measures a dot: a least-squares fit of a blurred disc to the pixels around it, which yields the
/// image of the disc's centre.
///
/// Perspective and distortion image a disc as an oval whose centre of gravity, and whose centre as
/// an ellipse, lie beside the image of the disc's centre, by about a quarter of the change of
/// scale over the dot. So the disc is not fitted on the picture but on the chart: each pixel is
/// taken back through the local map x(c) of the guess, which the neighbouring dots give to second
/// order (terms of third order bend the oval evenly about its centre and do not move it). On the
/// chart the dot's edge is |S c| = 1 with a symmetric S, fitted too: near a multiple of one, it
/// takes up what the map leaves. With g = |S c| - 1 the distance of a pixel from the edge is
/// d = g / |grad g|, and under a Gaussian blur of standard deviation b
///     s = F(-d / b - b k / 2)
/// with F the normal distribution function and k the edge's curvature near the pixel: a blurred
/// curved edge moves inwards. The pixel's own area adds 1/12 px^2 to b^2. The image is modelled as
///     I(x) = A + A_x x + A_y y + (B + B_x x + B_y y) s(x)
/// for uneven light. What else shapes the profile (tone, sharpening, spread of ink) moves the edge
/// by a few tenths of the blur, all around: for a dot that faces the camera that leaves the centre
/// in place; where the scale changes over the dot by a share q, the centre follows by about q / 2
/// of it.
///
/// Levenberg-Marquardt with analytic derivatives. Each pixel has a weight that falls off smoothly
/// towards a circle on the chart that keeps clear of the neighbours.
///
/// Pixels that are NaN or infinite, or outside the image, are skipped.
/// Errors    kInvalidInput: a guess that is not finite, without extent or mirrored, an image that
///           has not one channel. kNoChart: not a dot, or not measurable; the message says why.
/// Pure; safe from any thread.
Result<Dot> fit_dot(ImageView<const float> image,
                    const DotGuess& guess,
                    const DotOptions& options = {});

}  // namespace trueplate::target
