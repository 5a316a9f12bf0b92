#pragma once

#include <cmath>
#include <cstddef>
#include <span>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/profile.h"
#include "calib/zoom/detail/station_grid.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::zoom::detail {

/// Labels closer than this, as a share, are one.
inline constexpr double kSameLabel = StationGrid::kSameFocal;
[[nodiscard]] inline bool same_label(double a, double b) {
  return std::abs(a - b) <= kSameLabel * std::abs(b);
}

/// The lens of a station in a colour; null where it has none for it.
[[nodiscard]] const lens::Lens* lens_of(const profile::Station& station, Colour colour);

/// Where each station stands; a nearness of NaN where no focus is stated. Stations are numbered
/// from 1 in messages. errors  kInvalidInput: no station or more than kMostStations; one without
/// focal length, focused
///         within it, without the colour or with a lens that is not valid; a focus stated by some
///         only; plates of several kinds
[[nodiscard]] Result<std::vector<StationPlace>> places_of(
    std::span<const profile::Station> stations, Colour colour);

/// The stations, by their numbers from 0, in groups by rising T-stop where two stand at one place
/// and differ in it; else all in one.
/// errors  kInvalidInput: two at one place that do not differ in T-stop; a T-stop that is not
///         stated where others differ in it
[[nodiscard]] Result<std::vector<std::vector<std::size_t>>> groups_of(
    std::span<const profile::Station> stations, const std::vector<StationPlace>& places);

/// What stations span, but for T-stops.
[[nodiscard]] ZoomLens::Reach reach_of(std::span<const profile::Station> stations,
                                       const std::vector<StationPlace>& places);

}  // namespace trueplate::zoom::detail
