#include "calib/profile/verdict.h"

namespace trueplate::profile {

FitVerdict fit_verdict(const std::optional<Quality>& quality) {
  if (!quality) return FitVerdict::kNotKnown;
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
