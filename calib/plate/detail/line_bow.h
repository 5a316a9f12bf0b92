#pragma once

#include <optional>

#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// Refuses lines that no lens makes straight: those used still bow, far beyond the noise of their
/// points, nearly as much as on the plate; or more of them are bent by the lens than made
/// straighter. Curved things (the rim of a table, lettering) agree about a lens as badly as that,
/// but agree.
///
/// error: kUndetermined
[[nodiscard]] Result<void> check_straight(const LineFit& fit);

/// `lines-bow`: what is left is more than the noise of the points, though most of it is gone.
[[nodiscard]] std::optional<Warning> still_bowed(const LineFit& fit);

}  // namespace trueplate::plate::detail
