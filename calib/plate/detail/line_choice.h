#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/plate/detail/line_screen.h"
#include "calib/plate/detail/line_starts.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// In order of preference.
[[nodiscard]] std::vector<LineModel> models_wanted(const LineFitOptions& options);

struct LineChoice {
  LineModel model;
  ScreenedLens fit;
  std::optional<double> held_out_rms_px;
  std::vector<LineTrial> trials;
  std::optional<MapsApart> doubt;  // as LineFit::model_doubt
};

/// Fits every model to the chains that `screen` used, judges them by lines held out, and screens
/// all chains again with the one chosen. The first model stays unless another meets the held-out
/// lines better by kMinHeldOutGain standard errors, or leaves a quarter of their squares; one with
/// more coefficients also has to be significant in the F-test (p below kMostChance), with the
/// degrees of freedom and the noise of the residuals' slow parts.
///
/// Where models that the lines do not tell apart have maps that differ by more than the standard
/// deviation of the one so found, the one whose map lies nearest to all of them, each counted by
/// its weight (LineRivals), takes its place; what is left of that doubt is stated.
Result<LineChoice> choose_line_model(const std::vector<LineModel>& models,
                                     const ScreenedLens& screen,
                                     double lambda,
                                     const std::vector<Chain>& chains,
                                     const LineFitOptions& options);

inline constexpr double kMinHeldOutGain = 2.0;
inline constexpr double kMostChance = 0.01;

}  // namespace trueplate::plate::detail
