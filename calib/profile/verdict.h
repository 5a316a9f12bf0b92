#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "calib/profile/profile.h"

namespace trueplate::profile {

/// What a fit is worth, by its residuals and by how well the lens map is known.
enum class FitVerdict {
  kNotKnown,       // not fitted to footage
  kGood,           // below kGoodRmsPx
  kPartlyGuessed,  // the same, but parts of the frame are known to kUncertainMapPx only
  kUsable,         // below kUsableRmsPx
  kDoubtful,
};

/// The bands are common practice, no source.
inline constexpr double kGoodRmsPx = 0.3;
inline constexpr double kUsableRmsPx = 1.0;
inline constexpr double kUncertainMapPx = 0.5;
/// A map that may be off by more than this at the worst place is not one to hand off without care.
inline constexpr double kWorstPlacePx = 5.0;

/// How figures of the quality contradict each other, as those of no fit do, in words without a full
/// stop; nullopt where they do not. Figures that somebody rounded do not count.
[[nodiscard]] std::optional<std::string> contradiction_of(const Quality& quality);

/// Figures that contradict each other are doubtful.
[[nodiscard]] FitVerdict fit_verdict(const std::optional<Quality>& quality);
/// In words for a person, with the figures they rest on; one line without a full stop.
[[nodiscard]] std::string_view words_of(FitVerdict verdict);

}  // namespace trueplate::profile
