#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/plate/detail/line_screen.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// Covariance of all intrinsics: structure_px^2 times the inverse of the information, 0 for what
/// was not fitted. nullopt where the information has no inverse.
[[nodiscard]] std::optional<Eigen::MatrixXd> covariance_of(const ScreenedLens& fit);

/// nullopt where the lens does not image the whole edge.
[[nodiscard]] std::optional<EdgeBend> edge_bend(const LensProblem& problem,
                                                const Eigen::VectorXd& intrinsics,
                                                const Eigen::MatrixXd& covariance);

/// What is doubtful about a fit whose numbers are all set.
[[nodiscard]] std::vector<Warning> line_warnings(const LineFit& fit,
                                                 const LineFitOptions& options,
                                                 std::size_t num_duplicates);

}  // namespace trueplate::plate::detail
