#include "cli/track_names.h"

#include <fmt/format.h>

#include <algorithm>
#include <optional>

#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::cli {
namespace {

std::optional<int> track_named(std::string_view name, const plate::Tracks& tracks) {
  const auto found = std::find(tracks.names.begin(), tracks.names.end(), name);
  if (found == tracks.names.end()) return std::nullopt;
  return static_cast<int>(found - tracks.names.begin());
}

/// The first cut of `text` into `count` names, the shortest first name first.
std::optional<std::vector<int>> cut(std::string_view text, int count, const plate::Tracks& tracks) {
  if (count == 1) {
    const std::optional<int> track = track_named(text, tracks);
    return track ? std::optional(std::vector<int>{*track}) : std::nullopt;
  }
  for (std::size_t comma = text.find(','); comma != std::string_view::npos;
       comma = text.find(',', comma + 1)) {
    const std::optional<int> first = track_named(text.substr(0, comma), tracks);
    if (!first) continue;
    std::optional<std::vector<int>> rest = cut(text.substr(comma + 1), count - 1, tracks);
    if (!rest) continue;
    rest->insert(rest->begin(), *first);
    return rest;
  }
  return std::nullopt;
}

}  // namespace

Result<std::vector<int>> tracks_named(std::string_view text,
                                      int count,
                                      const plate::Tracks& tracks) {
  std::optional<std::vector<int>> found = cut(text, count, tracks);
  if (found) return std::move(*found);
  const std::vector<std::string_view> parts = split(text, ',');
  for (const std::string_view part : parts) {
    if (static_cast<int>(parts.size()) != count || track_named(part, tracks)) continue;
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format(
            "'{}' is the name of none of the {} tracks", printable(part), tracks.names.size()));
  }
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("'{}' is not the name of {} of the {} tracks",
                  printable(text),
                  count == 1 ? std::string("one") : fmt::format("{}, with commas between,", count),
                  tracks.names.size()));
}

}  // namespace trueplate::cli
