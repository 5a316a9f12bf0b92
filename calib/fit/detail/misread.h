#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "calib/base/warning.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// A frame in which a part of the chart was numbered wrongly: columns or rows skipped or counted
/// twice.
struct Misread {
  std::size_t frame = 0;  // of LensFit::frames
  int columns = 0;        // by so many cells the chart positions have to be moved
  int rows = 0;
  double share = 0.0;  // of the frame's points: those that fit then, and only then
};

/// Frames with a pose of which a tenth of the points or more, and most of those that do not fit as
/// they are, fit after one move of their chart positions by up to two cells.
[[nodiscard]] std::vector<Misread> misread_frames(const std::vector<target::View>& views,
                                                  const LensFit& fit);

/// `misread-frames`, with the number of them; nullopt where there is none.
[[nodiscard]] std::optional<Warning> warning_of(const std::vector<Misread>& misread,
                                                const LensFit& fit);

}  // namespace trueplate::fit::detail
