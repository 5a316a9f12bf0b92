#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/fit/detail/kernel.h"

namespace trueplate::plate::detail {

using Chain = std::vector<Point2d>;  // plate px

/// What is fitted, and what is believed.
struct LensProblem {
  const fit::detail::ModelKernel* kernel = nullptr;
  ImageSize plate_size;
  std::vector<int> free;  // which of focal x, y, centre x, y, coefficients are looked for
  Point2d prior_centre_px = {0.0, 0.0};
  double prior_weight = 0.0;  // of its squared distance, against squared residuals

  [[nodiscard]] bool frees_centre() const;
};

/// A straight line on z = 1, and where its points are seen to come from.
struct WorldLine {
  Point2d anchor = {0.0, 0.0};
  double angle = 0.0;
  std::vector<double> feet;          // along the line from the anchor; one a point
  std::vector<double> residuals_px;  // signed distances from its image; one a point

  [[nodiscard]] double sum_squares_px2() const;
};

/// The best line through points seen by a fixed lens. nullopt where the lens has no inverse, or all
/// points are one.
[[nodiscard]] std::optional<WorldLine> line_through(const LensProblem& problem,
                                                    const Eigen::VectorXd& intrinsics,
                                                    const Chain& chain);

/// What one line adds to the free parameters' system, its own two parameters eliminated.
struct LineShare {
  Eigen::MatrixXd normal;
  Eigen::VectorXd gradient;
};

struct AdjustedLens {
  Eigen::VectorXd intrinsics;
  std::vector<WorldLine> lines;  // one a chain
  double sum_squares_px2 = 0.0;  // of the residuals
  /// Of the free parameters, lines eliminated: the information of the points alone, and with the
  /// prior.
  Eigen::MatrixXd data_normal;
  Eigen::MatrixXd normal;
  std::vector<LineShare> shares;  // one a chain
};

/// The least-squares lens for these chains, from a start. Levenberg and Marquardt's method; the
/// derivatives of a distance at its foot are exact. nullopt where the start has no inverse at a
/// point.
[[nodiscard]] std::optional<AdjustedLens> adjust(const LensProblem& problem,
                                                 const Eigen::VectorXd& start,
                                                 const std::vector<const Chain*>& chains);

}  // namespace trueplate::plate::detail
