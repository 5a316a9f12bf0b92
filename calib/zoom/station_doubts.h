#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "calib/base/warning.h"
#include "calib/profile/profile.h"

namespace trueplate::zoom {

/// A station that the others miss by less than this, root mean square, is not doubted: it is what
/// the fit of a controlled grid should reach (common practice, no source).
inline constexpr double kLeftOutFarPx = 0.3;
/// The same of the corners, the nearest and farthest focus of the outermost focal lengths, which
/// the others tell from one side only: what a camera solve can do with (common practice, no
/// source).
inline constexpr double kCornerLeftOutFarPx = 1.0;
/// Nor one that is missed by fewer standard deviations.
inline constexpr double kLeftOutFarSigmas = 3.0;

/// Why a station, by its number from 0, may not belong among the others: `focal-label-far`
/// (profile::focal_label_far()), and `left-out-far` (value: the miss, px rms) where its
/// `without_station` is above its limit in px and above kLeftOutFarSigmas of what its sigma and the
/// largest of the others' come to together; sigmas that are not stated count as none.
[[nodiscard]] std::vector<Warning> doubts(std::span<const profile::Station> stations,
                                          std::size_t station);

/// The same, each beginning with the station's state.
[[nodiscard]] std::vector<Warning> named_doubts(std::span<const profile::Station> stations,
                                                std::size_t station);

/// Puts the doubts of every station among its warnings, in the place of earlier ones; returns all
/// of them, named.
std::vector<Warning> note_doubts(std::span<profile::Station> stations);

}  // namespace trueplate::zoom
