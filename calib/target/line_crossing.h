#pragma once

#include <Eigen/Core>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"

namespace trueplate::target {

/// Where fit_line_crossing() starts. Coordinates have the centre of pixel i at i + 0.5.
struct LineCrossingGuess {
  Point2d p_px = {0.0, 0.0};
  /// From the crossing to its neighbours along the two lines; u to v turns clockwise on the screen
  /// (x right, y down). The lengths keep the window away from the lines through the neighbours:
  /// give the shorter one of the two sides.
  Point2d step_u_px = {1.0, 0.0};
  Point2d step_v_px = {0.0, 1.0};
  /// Curvature of the two lines, 1/px, known from elsewhere (a lens bends them). Positive bends
  /// line u towards +v, and line v towards +u. Not fitted.
  double curvature_u = 0.0;
  double curvature_v = 0.0;
  /// By which share the width of line u grows per px towards +u, and that of v towards +v, known
  /// from elsewhere as well (the far end of a line is thinner). Not fitted.
  double taper_u = 0.0;
  double taper_v = 0.0;
  /// Where the search for the blur and the lines' width starts, px; 0: not known, several are
  /// tried.
  double blur_px = 0.0;
  double width_px = 0.0;
};

/// Settings of fit_line_crossing().
struct LineCrossingOptions {
  double max_reach_px = 13.0;   // half-length of the window along a line, at most (see below)
  double max_move_share = 0.3;  // of the shorter step: a fit that ends farther away is refused
  double max_misfit = 0.35;     // see LineCrossing::misfit
  double min_separation = 0.4;  // see LineCrossing::separation
  int most_pixels = 0;          // of the window that are used, about; 0: all
};

/// The crossing of two lines, as fitted.
struct LineCrossing {
  Point2d p_px = {0.0, 0.0};                                 // of the lines' middles
  Eigen::Matrix2d covariance_px2 = Eigen::Matrix2d::Zero();  // of p_px, from the residuals
  Point2d direction_u = {1.0, 0.0};                          // unit vectors along the lines
  Point2d direction_v = {0.0, 1.0};
  double blur_px = 0.0;  // standard deviation of the blur, that of the pixel's own area included
  /// Of a line, across it. Below one blur the picture tells width and darkness only together.
  double width_u_px = 0.0;
  double width_v_px = 0.0;
  double level = 0.0;     // of the paper at the crossing, in the image's unit
  double contrast = 0.0;  // of the crossing's middle to the paper; negative: dark lines
  double misfit = 0.0;    // rms of the residual / |contrast|, weighted
  /// How much of a line there is in the weakest of the four arms, less the unevenness of the four
  /// fields beside them, as a share of the contrast: 1 at a crossing, 0 or less where an arm is
  /// missing (the end of a line at a frame line, the corner of a square).
  double separation = 0.0;
  int num_pixels = 0;

  /// Standard deviation of one coordinate: sqrt(trace(covariance) / 2).
  [[nodiscard]] double sigma_px() const;
};

/// Measures the crossing of two lines: a least-squares fit of two blurred bars to the pixels around
/// it, which uses both edges of both lines.
///
/// A line of width w is a bar. Under a Gaussian blur of standard deviation b its exact profile is
///     a(d) = F((d + w/2) / b) - F((d - w/2) / b)
/// with d the distance to its middle and F the normal distribution function, however thin the line
/// is. Ink does not add up where two lines cross, so the image of both is the union
///     s = a_u + a_v - c,
/// c being what both cover: a_u a_v for perpendicular lines; for lines whose normals n_u and n_v
/// have the product r, the blur that moves one moves the other as well, and
///     c = sum over n of r^n / n! b^2n  d^n a_u / d d_u^n  d^n a_v / d d_v^n
/// (the series of a bivariate normal distribution in its correlation, Mehler 1866). The
/// pixel's own area adds 1/12 px^2 to b^2. The image is modelled as
///     I(x) = A + A_x x + A_y y + (B + B_x x + B_y y) s(x)
/// for uneven light. s is even about p, so what these terms do not explain of tone, sharpening or
/// ink does not move the crossing.
///
/// Perspective puts the middle between a line's two edges slightly beside the image of the line on
/// the chart that halves it; the caller knows the bend of the grid and corrects it (line_grid.h).
///
/// Levenberg-Marquardt with analytic derivatives, after a coarse search across each line, since a
/// thin line attracts a fit only from nearby. Each pixel has a weight that falls off smoothly
/// towards the border of a parallelogram along the lines.
///
/// Pixels that are NaN or infinite, or outside the image, are skipped.
/// Errors    kInvalidInput: a guess that is not finite or has parallel or tiny steps, an image
///           that has not one channel. kNoChart: not a crossing of two lines, or not measurable;
///           the message says why.
/// Pure; safe from any thread.
Result<LineCrossing> fit_line_crossing(ImageView<const float> image,
                                       const LineCrossingGuess& guess,
                                       const LineCrossingOptions& options = {});

}  // namespace trueplate::target
