#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/fit/fit.h"
#include "calib/fit/model_choice.h"
#include "calib/profile/profile.h"
#include "calib/target/view.h"
#include "cli/report/reach.h"

namespace trueplate::cli {

// Parts of a report page about the points a lens was fitted to. What each field means:
// docs/report.md.

/// Every frame of the footage; with its points where `views` has the frame, and with their
/// residuals where `fit` (null: not known) has it too. Frames are known by their names.
[[nodiscard]] nlohmann::json frames_json(const profile::Profile& profile,
                                         std::span<const target::View> views,
                                         const fit::LensFit* fit);

/// Residuals over the frame, of the frames that frames_json() gave; null when none has any.
[[nodiscard]] nlohmann::json vectors_section(const lens::Lens& lens, const nlohmann::json& frames);

/// How many points of the fit each part of the frame has; null when there are none.
[[nodiscard]] nlohmann::json coverage_section(const lens::Lens& lens, const nlohmann::json& frames);

/// How the caption of a map ends that has no observations.
inline constexpr std::string_view kFromNoiseAlone =
    "From the noise of the points alone: with --observations also from what the model cannot "
    "follow.";

/// How far a place of the frame may be off, one standard deviation; null where the profile states
/// no uncertainty. Without `fit` that of the station, from the noise of the points alone.
[[nodiscard]] nlohmann::json error_section(const profile::Station& station,
                                           const Reach& reach,
                                           const fit::LensFit* fit,
                                           int threads);

/// The models that were tried, or the sentence that says why there are none; null without either.
[[nodiscard]] nlohmann::json models_section(std::span<const fit::ModelTrial> trials,
                                            const std::string& no_trials);

/// All frames, each drawn.
[[nodiscard]] nlohmann::json frames_section(const nlohmann::json& frames);

}  // namespace trueplate::cli
