#pragma once

#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "calib/plate/detail/line_adjust.h"

namespace trueplate::plate::detail {

/// A lens model, or the first coefficients of one.
struct LineModel {
  std::string_view name;
  int num_coefficients = 0;
};

/// The fit of such a model about a pinhole; `problem` is the pinhole's.
[[nodiscard]] LensProblem problem_of(const LineModel& model, const LensProblem& pinhole);

/// Intrinsics of `model` near the division model with one term: the first of several fractions of
/// it from which the lens inverts all the chains.
[[nodiscard]] Eigen::VectorXd start_of(const LineModel& model,
                                       const Eigen::Vector4d& pinhole,
                                       double lambda,
                                       const std::vector<const Chain*>& chains,
                                       ImageSize plate);

/// Intrinsics of `model` whose curve of distortion follows that of another lens as far out as the
/// chains reach. nullopt where that one has no inverse there.
[[nodiscard]] std::optional<Eigen::VectorXd> start_like(const LineModel& model,
                                                        const LensProblem& other,
                                                        const Eigen::VectorXd& intrinsics,
                                                        const std::vector<const Chain*>& chains);

/// The best of the fits that begin there: a strong lens has valleys of its own.
[[nodiscard]] std::optional<AdjustedLens> best_adjusted(const LensProblem& problem,
                                                        std::span<const Eigen::VectorXd> starts,
                                                        const std::vector<const Chain*>& chains);

}  // namespace trueplate::plate::detail
