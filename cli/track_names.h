#pragma once

#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/plate/tracks.h"

namespace trueplate::cli {

/// The indices of `count` tracks, whose names stand in `text` with commas between. A name may hold
/// commas itself: the text is cut where all parts are names. Error: no cut gives names.
[[nodiscard]] Result<std::vector<int>> tracks_named(std::string_view text,
                                                    int count,
                                                    const plate::Tracks& tracks);

}  // namespace trueplate::cli
