#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <span>

#include "calib/base/geometry.h"
#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/view_points.h"
#include "calib/fit/fit.h"
#include "calib/lens/cubic_basis.h"

namespace trueplate::fit::detail {

/// A displacement on the plate, in pixels, linear in its coefficients: uniform cubic B-splines over
/// the whole plate, the coefficients of x row by row and then those of y; and a stretch away from
/// the principal point, by B-splines in the distance from it, for most of what lenses do is that.
class PlateField {
 public:
  /// The part of a place's displacement that one coefficient makes.
  struct Tap {
    int coefficient = 0;
    Point2d px = {0.0, 0.0};
  };
  /// First the splines of x and y in turn, then those of the radius; coefficients of each increase.
  static constexpr std::size_t kNumSplineTaps = 2 * 16;
  using Taps = std::array<Tap, kNumSplineTaps + 4>;

  /// About the axis of `lens`. cells   along the longer side, above 0
  PlateField(const lens::Lens& lens, int cells);

  [[nodiscard]] int cells() const { return cells_; }
  [[nodiscard]] int num_coefficients() const { return 2 * columns_ * rows_ + num_radial_; }

  /// A place outside the plate counts as the nearest on its edge.
  [[nodiscard]] Taps at(const Point2d& p_plate_px) const;

  /// How the coefficients of a smooth field vary together: 1 each for the stretch, `share` each for
  /// the rest, and neighbours alike over `reach` of the plate's longer side (of the way to the
  /// farthest corner).
  [[nodiscard]] Eigen::MatrixXd covariance(double share, double reach) const;

 private:
  Point2d size_px_;
  Point2d axis_px_;
  Point2d stretch_;  // from pixels to equal lengths along x and y
  double farthest_px_ = 0.0;
  int cells_;
  int columns_;
  int rows_;
  int num_radial_;
  lens::CubicAxis x_;
  lens::CubicAxis y_;
  lens::CubicAxis radius_;
};

struct MisfitInput {
  std::span<const ViewPoints* const> views;
  const Adjusted& state;        // the optimum, poses in the views' order
  int num_fixed = 0;            // of the leading intrinsics
  double sum_of_squares = 0.0;  // of the residuals, those of the kernel's beliefs among them
  double num_free = 0.0;        // residuals, the prior's among them, less fitted parameters
  const lens::Lens& lens;       // the same as the state's intrinsics
};

/// What the residuals say the lens does that its model cannot; see MapMisfit. nullopt when there
/// are too few points for the question.
///
/// The lens is taken for model plus PlateField with Gaussian coefficients, about the fitted model
/// to first order, poses and intrinsics free to give way to it. That the field's variance is zero
/// is tested by the score (squares of mean residual vectors, weighed over the splines, against what
/// the noise of the points lets them be), its distribution matched in mean and variance by an F
/// distribution (F. E. Satterthwaite, Biometrics Bulletin 2(6), 1946), for a few shapes of the
/// field, the chance multiplied by their number (Bonferroni). Where it is not zero, the
/// variances of the field, of the shape that stands out most, and of the noise maximise the
/// restricted likelihood (H. D. Patterson and R. Thompson, Biometrika 58(3), 1971). The discrepancy
/// between model and truth as one more random field is the idea of M. C. Kennedy and A. O'Hagan,
/// Bayesian Calibration of Computer Models, J. Royal Statistical Society B 63(3), 2001.
[[nodiscard]] std::optional<MapMisfit> find_misfit(const ModelKernel& kernel,
                                                   const MisfitInput& input);

}  // namespace trueplate::fit::detail
