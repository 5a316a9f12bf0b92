#pragma once

#include <string>
#include <vector>

#include "calib/plate/tracks.h"

namespace trueplate::plate::detail {

// How findings and warnings name what they speak of.

/// A track's name for a terminal.
[[nodiscard]] std::string shown(const Tracks& tracks, int track);

/// The number that the file gives a frame.
[[nodiscard]] double number_of(const Tracks& tracks, int frame);

/// A probability; from a certain point on only that it lies below.
[[nodiscard]] std::string chance_words(double p_value);

/// The first few of a list, and how many more there are.
[[nodiscard]] std::string listed(const std::vector<std::string>& items);

/// The first few of these tracks by name, and how many more there are.
[[nodiscard]] std::string listed_tracks(const Tracks& tracks, const std::vector<int>& which);

}  // namespace trueplate::plate::detail
