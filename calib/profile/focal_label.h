#pragma once

#include <optional>

#include "calib/base/warning.h"
#include "calib/profile/profile.h"

namespace trueplate::profile {

/// A nominal focal length differs from the measured one by some percent, by rounding and by
/// breathing; from this share on it is taken for a mistake. Common practice, no source.
inline constexpr double kFocalLabelFar = 0.10;

/// The warning `focal-label-far` (value: by how many percent the measured focal length is longer
/// than the label), where nominal_focal_mm and the lens's own focal length are further apart than
/// kFocalLabelFar and than three standard deviations of the latter. Of the focal lengths along x,
/// times the squeeze, and along y the one nearer to the label counts: a film back of another aspect
/// has a warning of its own. nullopt without label or film back.
[[nodiscard]] std::optional<Warning> focal_label_far(const Station& station);

}  // namespace trueplate::profile
