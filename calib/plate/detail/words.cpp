#include "calib/plate/detail/words.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/base/utf8.h"

namespace trueplate::plate::detail {

std::string shown(const Tracks& tracks, int track) {
  return fmt::format("'{}'", printable(tracks.names[static_cast<std::size_t>(track)]));
}

double number_of(const Tracks& tracks, int frame) {
  return tracks.frames[static_cast<std::size_t>(frame)];
}

std::string chance_words(double p_value) {
  constexpr double kLeastTold = 1e-12;
  return p_value < kLeastTold ? fmt::format("below {:.0e}", kLeastTold)
                              : fmt::format("{:.1e}", p_value);
}

std::string listed(const std::vector<std::string>& items) {
  constexpr std::size_t kMost = 5;
  std::string text;
  for (std::size_t i = 0; i < std::min(kMost, items.size()); ++i) {
    text += i == 0 ? "" : ", ";
    text += items[i];
  }
  if (items.size() > kMost) text += fmt::format(" and {} more", items.size() - kMost);
  return text;
}

std::string listed_tracks(const Tracks& tracks, const std::vector<int>& which) {
  std::vector<std::string> names;
  names.reserve(which.size());
  for (const int track : which) names.push_back(shown(tracks, track));
  return listed(names);
}

}  // namespace trueplate::plate::detail
