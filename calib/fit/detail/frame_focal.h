#pragma once

#include <vector>

#include "calib/base/warning.h"
#include "calib/fit/detail/held_focal.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// The focal length that one frame would have if each had its own, their poses and the rest of the
/// lens, which they share, free: to first order.
struct FrameFocal {
  std::size_t frame = 0;        // of LensFit::frames
  double change = 0.0;          // relative to the fit's
  double sigma = 0.0;           // of the change; large where the frame shows the chart square-on
  double noise_sigma_px = 0.0;  // per coordinate, of what is left with it
};
/// Of the frames that are used, and of those that are not but would fit about as well as the used
/// ones with their own focal length.
[[nodiscard]] std::vector<FrameFocal> frame_focals(const ModelKernel& kernel,
                                                   const std::vector<target::View>& views,
                                                   const LensFit& fit,
                                                   FocalMode focal_mode);

/// Two groups of frames whose own focal lengths differ beyond doubt.
struct TwoFocals {
  std::vector<std::size_t> few;   // frames of the smaller group
  std::vector<std::size_t> many;  // of the other one
  double few_change = 0.0;        // mean relative change of the group, weighted
  double many_change = 0.0;
  double apart = 0.0;  // the difference of the two, in its standard deviations
};
/// nullopt when one focal length will do: where no cut of the ordered changes leaves two groups
/// that are 0.5 % of focal length apart, 6 standard deviations of that difference, and so far that
/// the frames of a group lie close beside it. A frame's variance is that of its own noise and of
/// what the frames of a group scatter beyond it (R. DerSimonian and N. Laird, Meta-Analysis in
/// Clinical Trials, Controlled Clinical Trials 7(3), 1986, for the estimate). In the smaller group
/// are only frames that stand 5 standard deviations of their own off the other one. Wants 6 frames
/// that say something.
[[nodiscard]] std::optional<TwoFocals> two_focals(const std::vector<FrameFocal>& frames);

/// `fit`, and where a clear minority of the frames was shot at another focal length (a third at the
/// most; not with Rejection::kOff) the fit without them, which says so of each. Where it is more,
/// the warning `mixed-focal` names both groups. Nothing is done where focal lengths of their own do
/// not bring the frames down to the noise of single corners, or where nobody knows that noise
/// (LensFit::systematic_share).
///
/// Errors: those of `fit`.
[[nodiscard]] Result<LensFit> fit_with_one_focal(const FitFunction& fit,
                                                 const ModelKernel& kernel,
                                                 const std::vector<target::View>& views,
                                                 const FitOptions& options);

}  // namespace trueplate::fit::detail
