#pragma once

#include <nlohmann/json.hpp>
#include <span>

#include "calib/base/result.h"
#include "calib/footage/frame_set.h"
#include "calib/profile/profile.h"
#include "calib/target/view.h"

namespace trueplate::cli {

/// The frame of a set that shows most of the lens: of those that the calibration used the one whose
/// points span the largest part of the frame; without such, the first. Null for an empty set.
[[nodiscard]] const footage::FrameRef* telling_frame(const footage::FrameSet& frames,
                                                     const profile::Profile& profile,
                                                     std::span<const target::View> views);

/// The frame as photographed and straightened, both as JPEG in the page, reduced to kShownWidth;
/// with the rows and columns of the chart's points in it, bent and straight. Linear pictures are
/// display coded. Errors: a frame that cannot be read or is no resized plate of the lens.
Result<nlohmann::json> picture_section(const lens::Lens& lens,
                                       const footage::FrameRef& frame,
                                       std::span<const target::View> views,
                                       int threads);
inline constexpr int kShownWidth = 1280;

/// The same without a picture, of the view whose points span most; null without views.
[[nodiscard]] nlohmann::json rows_section(const lens::Lens& lens,
                                          std::span<const target::View> views);

}  // namespace trueplate::cli
