#pragma once

#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::plate::detail {

/// The parts of a chain that are smooth: cut where it turns by more than a lens could make it turn,
/// and, where a cubic over its chord does not follow it, at the place farthest from the chord. The
/// ends, which whatever begins there disturbs, are trimmed. Pieces shorter than `least_px` go, and
/// those that are less than half of what lay between two corners: parts of something curved.
[[nodiscard]] std::vector<std::vector<Point2d>> smooth_pieces(const std::vector<Point2d>& chain,
                                                              double least_px);

/// Joins pieces, each oriented with the brighter side on its left, where one continues the other
/// across a gap no longer than half the shorter one: a common cubic must not fit significantly
/// worse than one for each.
[[nodiscard]] std::vector<std::vector<Point2d>> joined(std::vector<std::vector<Point2d>> pieces);

}  // namespace trueplate::plate::detail
