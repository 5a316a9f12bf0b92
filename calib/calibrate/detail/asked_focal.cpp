#include "calib/calibrate/detail/asked_focal.h"

#include <fmt/format.h>

#include <cmath>
#include <optional>
#include <string>

#include "calib/base/interrupt.h"
#include "calib/lens/model.h"

namespace trueplate::detail {
namespace {

/// What the frames say along the axis that is further from the focal length given.
struct FocalOfFrames {
  fit::Measured mm = {0.0, 0.0};
  char axis = 'x';
  double sigmas_apart = 0.0;
  double rms_px = 0.0;
};

std::optional<FocalOfFrames> focal_of_frames(const std::vector<target::View>& views,
                                             const fit::FitOptions& kept,
                                             const CalibrateOptions& options,
                                             std::string_view model) {
  fit::FitOptions free = kept;
  free.model = model;
  free.focal_mode = fit::FocalMode::kFree;
  free.held_out_folds = 0;
  const Result<fit::LensFit> fitted = fit::fit_lens(views, free);
  // A range: the frames do not tell it.
  if (!fitted || fitted->focal_range_px) return std::nullopt;
  FocalOfFrames found;
  found.rms_px = fitted->rms_px;
  for (const int axis : {0, 1}) {
    const double asked_px = (*kept.focal_px)(axis);
    const double apart = std::abs(fitted->parameters(axis) - asked_px) / fitted->sigma(axis);
    if (axis > 0 && !(apart > found.sigmas_apart)) continue;
    const double mm_per_px = *options.nominal_focal_mm / asked_px;
    found.mm = {mm_per_px * fitted->parameters(axis), mm_per_px * fitted->sigma(axis)};
    found.axis = axis == 0 ? 'x' : 'y';
    found.sigmas_apart = apart;
  }
  return found;
}

std::string in_words(const FocalOfFrames& found) {
  return fmt::format("the frames say {:.4g} +- {:.2g} mm along {}, {:.1f} standard deviations away",
                     found.mm.value,
                     found.mm.sigma,
                     found.axis,
                     found.sigmas_apart);
}

constexpr std::string_view kWhatToDo =
    "check the focal length and the film back, or let the frames decide";

}  // namespace

Result<fit::LensFit> held_against_frames(Result<fit::LensFit> kept,
                                         const std::vector<target::View>& views,
                                         const fit::FitOptions& fit_options,
                                         const CalibrateOptions& options) {
  if (!kept && kept.error().code == ErrorCode::kInterrupted) return kept;
  const std::string_view model = kept ? lens::model_name(kept->lens.model) : fit_options.model;
  const std::optional<FocalOfFrames> found = focal_of_frames(views, fit_options, options, model);
  if (is_interrupted(fit_options.interrupt)) return interruption();
  if (!found || !(found->sigmas_apart > kFocalDisagrees)) return kept;
  if (!kept) {
    return fail(kept.error().code,
                fmt::format("no lens with the focal length given, {:.4g} mm, meets the frames: {}; "
                            "{} (with it: {})",
                            *options.nominal_focal_mm,
                            in_words(*found),
                            kWhatToDo,
                            kept.error().message));
  }
  kept->warnings.insert(
      kept->warnings.begin(),
      {"focal-disagrees",
       fmt::format(
           "the focal length given, {:.4g} mm, contradicts the frames: {}, and are then met "
           "to {:.3f} px instead of {:.3f} px rms; {}",
           *options.nominal_focal_mm,
           in_words(*found),
           found->rms_px,
           kept->rms_px,
           kWhatToDo),
       found->sigmas_apart});
  return kept;
}

}  // namespace trueplate::detail
