#include "calib/profile/verdict.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace trueplate::profile {

std::optional<std::string> contradiction_of(const Quality& quality) {
  constexpr double kRounded = 1.01;
  const double most = kRounded * quality.max_px;
  if (quality.rms_px > most) {
    return fmt::format("an rms of {:.4g} px is more than the largest residual, {:.4g} px",
                       quality.rms_px,
                       quality.max_px);
  }
  if (quality.p95_px > most) {
    return fmt::format("95 % within {:.4g} px is more than the largest residual, {:.4g} px",
                       quality.p95_px,
                       quality.max_px);
  }
  // The largest of n residuals is no more than the root of n times their rms.
  const double allowed = std::sqrt(std::max(1.0, static_cast<double>(quality.num_points)));
  if (quality.max_px > kRounded * allowed * quality.rms_px) {
    return fmt::format(
        "a largest residual of {:.4g} px is more than {} points of rms {:.4g} px can "
        "have",
        quality.max_px,
        quality.num_points,
        quality.rms_px);
  }
  constexpr double kHeldOutLess = 0.5;  // frames that were not fitted are met no better
  if (quality.held_out_rms_px.value_or(quality.rms_px) < kHeldOutLess * quality.rms_px) {
    return fmt::format(
        "points held out cannot be met to {:.4g} px where those fitted are met to "
        "{:.4g} px",
        *quality.held_out_rms_px,
        quality.rms_px);
  }
  if (quality.rms_px > 0.0 && quality.map_sigma_max_px.value_or(1.0) == 0.0) {
    return fmt::format("residuals of {:.4g} px and a predicted error of 0", quality.rms_px);
  }
  return std::nullopt;
}

FitVerdict fit_verdict(const std::optional<Quality>& quality) {
  if (!quality) return FitVerdict::kNotKnown;
  if (contradiction_of(*quality)) return FitVerdict::kDoubtful;
  // A small residual where there were corners says nothing about places where there were none.
  const bool guessed = quality->map_sigma_max_px.value_or(0.0) > kUncertainMapPx;
  if (quality->rms_px < kGoodRmsPx) {
    return guessed ? FitVerdict::kPartlyGuessed : FitVerdict::kGood;
  }
  return quality->rms_px < kUsableRmsPx ? FitVerdict::kUsable : FitVerdict::kDoubtful;
}

std::string_view words_of(FitVerdict verdict) {
  switch (verdict) {
    case FitVerdict::kNotKnown:
      return "not known: these numbers were not fitted to footage";
    case FitVerdict::kGood:
      return "good: below the 0.3 px that a controlled grid should reach";
    case FitVerdict::kPartlyGuessed:
      return "small where it was measured (below 0.3 px), but parts of the frame are guessed: "
             "see how well the lens map is known";
    case FitVerdict::kUsable:
      return "usable for a camera solve at HD or 2K (below 1 px), but a controlled grid should "
             "reach 0.3 px";
    case FitVerdict::kDoubtful:
      break;
  }
  return "above 1 px: suspect a wrong pitch, a bent chart, mixed focus or a wrong model";
}

}  // namespace trueplate::profile
