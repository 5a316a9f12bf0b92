#pragma once

#include <optional>
#include <string>
#include <vector>

#include "calib/plate/detail/line_adjust.h"
#include "calib/plate/detail/line_shape.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// A lens and the chains it was fitted to.
struct ScreenedLens {
  LensProblem problem;  // with the weight of the prior as it came out
  AdjustedLens lens;
  std::vector<std::optional<WorldLine>> lines;  // one a chain, used or not; nullopt: no inverse
  std::vector<bool> used;
  std::vector<std::string> reasons;  // one a chain; empty when used
  double structure_px = 0.0;         // as LineFit::structure_px
  double independent_terms = 0.0;    // degrees of freedom that it was computed from
};

/// The chains that `used` names.
[[nodiscard]] std::vector<const Chain*> chosen(const std::vector<Chain>& chains,
                                               const std::vector<bool>& used);

/// Fits, judges every chain by the fit, and begins again with those that pass, until they stay the
/// same. nullopt where no fit succeeds.
[[nodiscard]] std::optional<ScreenedLens> screened(const LensProblem& problem,
                                                   const Eigen::VectorXd& start,
                                                   const std::vector<Chain>& chains,
                                                   std::vector<bool> used,
                                                   LineRejection rejection);

}  // namespace trueplate::plate::detail
