#pragma once

#include <functional>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/fit/fit.h"

namespace trueplate::fit {

/// One lens model on trial. All that fit are judged on the same corners.
struct ModelTrial {
  std::string model;
  int num_coefficients = 0;
  std::optional<double> rms_px;           // nullopt: it was not fitted
  std::optional<double> held_out_rms_px;  // see LensFit::held_out_rms_px
  /// Bayesian information criterion less the smallest of all trials (G. Schwarz, Estimating the
  /// Dimension of a Model, Annals of Statistics 6(2), 1978); a difference of 10 is very strong
  /// evidence (Kass and Raftery, Bayes Factors, 1995). nullopt for what takes no part in the
  /// choice.
  std::optional<double> bic_excess;
  /// By how much the frames that were held out are better met than with the model chosen, in
  /// standard errors over the frames; 0 where it was not judged.
  double held_out_gain = 0.0;
  bool chosen = false;
  std::string reason;  // why it was not chosen; empty for the one that was
};

struct ModelChoice {
  LensFit fit;                     // with the model chosen
  std::vector<ModelTrial> trials;  // the default model first, then in order of complexity
};

/// Told of each stage of the choice, and as each model is done with it: the stage in words ("fit
/// models"), how many of how many are done (0 as it begins), and which was last. Called from any
/// thread, one call at a time.
using ModelProgress =
    std::function<void(std::string_view stage, int done, int total, std::string_view model)>;

/// Another model than the default, or a more complex one, has to meet the held-out frames better by
/// this many standard errors, and to lower the information criterion by this much. Ten models are
/// tried on ten to twenty frames: at 2 standard errors chance alone would win one time in five, at
/// 3 one in twenty (quantiles of Student's t).
inline constexpr double kMinHeldOutGain = 3.0;
inline constexpr double kMinBicGain = 10.0;

/// Fits every model of lens::model_table() and chooses: of the default one, which comes first
/// there, and the others in order of complexity the first that no other beats. To beat it another
/// has to meet frames that it has not seen significantly better (kMinHeldOutGain), and the
/// information criterion has to say so too (kMinBicGain). A model that folds back inside the frame
/// unless it is kept from it (LensFit::fold) yields to one of no more coefficients that does not
/// and meets frames about as well; one that nothing keeps from it is out.
///
/// FitOptions::model is ignored. What counts are the corners that the fit with the most corners
/// kept, or the best of several that kept about as many: a model must not look better for having
/// thrown out what it cannot explain. Nor for what it made of the print: with ChartShape::kAuto two
/// of those that come nearest on a flat one look for its shape, and all are judged with the shape
/// that then leaves least. The model that is chosen finds it for itself, or takes theirs where that
/// leaves less. With FitOptions::held_out_folds 0, or
/// too few views, the criterion decides alone.
///
/// Errors: those of fit_lens() for the first model, when no model can be fitted.
Result<ModelChoice> fit_best_model(const std::vector<target::View>& views,
                                   const FitOptions& options,
                                   const ModelProgress& progress = {});

}  // namespace trueplate::fit
