#include "warp/io/detail/map_channels.h"

#include <fmt/format.h>

#include <array>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "warp/io/detail/channel_words.h"

namespace trueplate::warp::detail {
namespace {

using footage::Channel;
using footage::Part;

using Pair = std::pair<std::string_view, std::string_view>;
constexpr std::array kPairs{Pair("R", "G"),
                            Pair("x", "y"),
                            Pair("X", "Y"),
                            Pair("u", "v"),
                            Pair("U", "V"),
                            Pair("s", "t"),
                            Pair("S", "T")};

/// The names in a file, for whoever has to choose.
std::string names_text(const footage::Frame& frame) {
  constexpr int kMostNames = 12;
  std::string text;
  int count = 0;
  for (std::size_t p = 0; p < frame.num_parts(); ++p) {
    for (const Channel& channel : frame.part(p).channels) {
      if (++count > kMostNames) continue;
      const std::string& part = frame.part(p).name;
      text += fmt::format("{}{}{}",
                          text.empty() ? "" : ", ",
                          part.empty() ? "" : printable(part) + ".",
                          printable(channel.name));
    }
  }
  return count > kMostNames ? text + fmt::format(" and {} more", count - kMostNames) : text;
}

/// `name` without `part.` before it; nullopt when it is of another part.
std::string_view within(const Part& part, std::string_view name) {
  if (part.name.empty() || name.size() <= part.name.size() || !name.starts_with(part.name) ||
      name[part.name.size()] != '.') {
    return name;
  }
  return name.substr(part.name.size() + 1);
}

/// The channel of a name as it is, or after that of its part.
std::optional<std::size_t> find_channel(const Part& part, std::string_view name) {
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (part.channels[c].name == name || part.channels[c].name == within(part, name)) return c;
  }
  return std::nullopt;
}

/// s and t of a layer.
std::optional<std::pair<std::size_t, std::size_t>> find_in_layer(const Part& part,
                                                                 std::string_view layer) {
  std::vector<std::size_t> of_layer;
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (layer_and_leaf(part.channels[c].name).layer == layer) of_layer.push_back(c);
  }
  const auto leaf = [&](std::string_view name) -> std::optional<std::size_t> {
    for (const std::size_t c : of_layer) {
      if (layer_and_leaf(part.channels[c].name).leaf == name) return c;
    }
    return std::nullopt;
  };
  for (const auto& [first, second] : kPairs) {
    const std::optional<std::size_t> s = leaf(first);
    const std::optional<std::size_t> t = leaf(second);
    if (s && t) return std::pair(*s, *t);
  }
  if (of_layer.size() != 2) return std::nullopt;
  const bool in_order = part.channels[of_layer[0]].name < part.channels[of_layer[1]].name;
  return in_order ? std::pair(of_layer[0], of_layer[1]) : std::pair(of_layer[1], of_layer[0]);
}

std::optional<MapChannels> find_named(const footage::Frame& frame, std::string_view wanted) {
  for (std::size_t p = 0; p < frame.num_parts(); ++p) {
    const Part& part = frame.part(p);
    if (const auto found = find_in_layer(part, within(part, wanted))) {
      return MapChannels{p, found->first, found->second};
    }
    if (part.name != wanted) continue;
    if (const auto found = find_in_layer(part, {})) {
      return MapChannels{p, found->first, found->second};
    }
  }
  const std::vector<std::string_view> names = split(wanted, ',');
  if (names.size() != 2) return std::nullopt;
  for (std::size_t p = 0; p < frame.num_parts(); ++p) {
    const std::optional<std::size_t> s = find_channel(frame.part(p), trim(names[0]));
    const std::optional<std::size_t> t = find_channel(frame.part(p), trim(names[1]));
    if (s && t) return MapChannels{p, *s, *t};
  }
  return std::nullopt;
}

}  // namespace

Result<MapChannels> find_map_channels(const footage::Frame& frame, std::string_view wanted) {
  std::optional<MapChannels> found;
  if (wanted.empty()) {
    const std::optional<std::size_t> s = find_channel(frame, "R");
    const std::optional<std::size_t> t = find_channel(frame, "G");
    if (s && t) found = MapChannels{0, *s, *t};
  } else {
    found = find_named(frame, wanted);
  }
  if (!found) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}, so no ST-map; there are {}. --map-channels says which are s and "
                            "t: a layer, or two names such as warp.x,warp.y",
                            wanted.empty() ? std::string("no channels R and G")
                                           : fmt::format("no channels '{}'", printable(wanted)),
                            names_text(frame)));
  }
  const Part& part = frame.part(found->part);
  if (found->s == found->t) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("s and t would both be {}", printable(part.channels[found->s].name)));
  }
  for (const std::size_t c : {found->s, found->t}) {
    if (part.channels[c].format != footage::SampleFormat::kUint32) continue;
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{} holds unsigned integers, so no ST-map", printable(part.channels[c].name)));
  }
  return *found;
}

}  // namespace trueplate::warp::detail
