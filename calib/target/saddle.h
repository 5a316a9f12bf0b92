#pragma once

#include <Eigen/Core>
#include <limits>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"

namespace trueplate::target {

/// Where fit_saddle() starts. Coordinates have the centre of pixel i at i + 0.5.
struct SaddleGuess {
  Point2d p_px = {0.0, 0.0};
  /// From the crossing to its neighbours along the two edges; u to v turns clockwise on the screen
  /// (x right, y down). The directions start the fit; the lengths keep the window away from the
  /// edges that pass through the neighbours: give the shorter one of the two sides.
  Point2d step_u_px = {1.0, 0.0};
  Point2d step_v_px = {0.0, 1.0};
  /// Curvature of the two edges, 1/px, known from elsewhere (a lens bends them). Positive bends
  /// edge u towards +v, and edge v towards +u. Not fitted.
  double curvature_u = 0.0;
  double curvature_v = 0.0;
  /// Where the search for the blur starts, px; 0: not known, several are tried.
  double blur_px = 0.0;
};

/// Settings of fit_saddle().
struct SaddleOptions {
  double max_reach_px = 11.0;   // half-length of the window along an edge, at most (see below)
  double max_move_share = 0.3;  // of the shorter step: a fit that ends farther away is refused
  double max_misfit = 0.35;     // see Saddle::misfit
  double min_separation = 0.4;  // see Saddle::separation
  /// How far from the nearer edge the squares are plain, as a share of the other edge's step: what
  /// is printed inside them begins there. The window is then a cross along the edges. Infinity:
  /// plain squares.
  double clear_share = std::numeric_limits<double>::infinity();
};

/// The crossing of two edges, as fitted.
struct Saddle {
  Point2d p_px = {0.0, 0.0};
  Eigen::Matrix2d covariance_px2 = Eigen::Matrix2d::Zero();  // of p_px, from the residuals
  Point2d direction_u = {1.0, 0.0};                          // unit vectors along the edges
  Point2d direction_v = {0.0, 1.0};
  double blur_px = 0.0;   // standard deviation of the blur, that of the pixel's own area included
  double level = 0.0;     // mean of light and dark at the crossing, in the image's unit
  double contrast = 0.0;  // half of (light - dark); negative: the sector from +u to +v is dark
  double misfit = 0.0;    // rms of the residual / |contrast|, weighted
  /// The gap between the darker of the two light sectors and the lighter of the two dark ones, as
  /// a share of light - dark: 1 at a crossing, 0 where three sectors share a colour.
  double separation = 0.0;
  int num_pixels = 0;

  /// Standard deviation of one coordinate: sqrt(trace(covariance) / 2).
  [[nodiscard]] double sigma_px() const;
};

/// Measures a checkerboard corner: a least-squares fit of the blurred crossing of two edges to the
/// pixels around it.
///
/// Two straight edges through p part the plane into four sectors, light and dark in turn. Under a
/// Gaussian blur of standard deviation b the exact image is, for ANY angle between the edges,
///     s(x) = 4 L(h, k; r) - 2 F(h) - 2 F(k) + 1,     h = d_u(x) / b,   k = d_v(x) / b
/// with d_u and d_v the signed distances to the edges, F the normal distribution function, L the
/// standard bivariate normal distribution function with correlation r = n_u . n_v (the blur that
/// moves one edge moves the other as well). For perpendicular edges s is the product
/// erf(h / sqrt(2)) erf(k / sqrt(2)). The pixel's own area adds 1/12 px^2 to b^2. The image is
/// modelled as
///     I(x) = A + A_x x + A_y y + (B + B_x x + B_y y) s(x) + C s(x)^2
/// : uneven light, and with C a tone curve or ink spread that widens light or dark squares.
/// All of s and s^2 is even about p, so what these terms do not explain of tone or sharpening
/// does not move the corner.
///
/// Levenberg-Marquardt with analytic derivatives. Each pixel has a weight that falls off
/// smoothly towards the border of a parallelogram along the edges; its half-lengths are what the
/// neighbours' blurred edges leave free, at most `max_reach_px` (more for a strong blur); and where
/// the squares are not plain, with the distance from the nearer edge.
///
/// Pixels that are NaN or infinite, or outside the image, are skipped.
/// Errors    kInvalidInput: a guess that is not finite or has parallel or tiny steps, an image
///           that has not one channel. kNoChart: not a crossing, or not measurable; the message
///           says why.
/// Pure; safe from any thread.
Result<Saddle> fit_saddle(ImageView<const float> image,
                          const SaddleGuess& guess,
                          const SaddleOptions& options = {});

}  // namespace trueplate::target
