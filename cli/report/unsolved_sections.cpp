#include "cli/report/unsolved_sections.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/utf8.h"
#include "cli/report/parts.h"

namespace trueplate::cli {

using nlohmann::json;

json motion_section(const plate::Tracks& tracks, const plate::Trial& trial) {
  std::array<int, 2> pair = trial.keyframes;
  if (pair[0] < 0) pair = {0, static_cast<int>(tracks.frames.size()) - 1};
  std::vector<std::optional<Point2d>> from(tracks.names.size());
  for (const plate::TrackPoint& point : tracks.points) {
    if (point.frame == pair[0]) from[static_cast<std::size_t>(point.track)] = point.p_px;
  }
  json stems = json::array();
  for (const plate::TrackPoint& point : tracks.points) {
    const std::optional<Point2d>& start = from[static_cast<std::size_t>(point.track)];
    if (point.frame != pair[1] || !start) continue;
    const Point2d way = point.p_px - *start;
    stems.push_back({{"x", rounded(start->x(), 0.01)},
                     {"y", rounded(start->y(), 0.01)},
                     {"dx", rounded(way.x(), 0.01)},
                     {"dy", rounded(way.y(), 0.01)},
                     {"points", 0}});
  }
  if (stems.empty() || pair[0] == pair[1]) return {};
  const std::string frames = fmt::format("{} to {}",
                                         tracks.frames[static_cast<std::size_t>(pair[0])],
                                         tracks.frames[static_cast<std::size_t>(pair[1])]);
  return {
      {"kind", "vectors"},
      {"title", "How the tracks move"},
      {"words",
       {fmt::format("Each stem goes from where a track is to where it goes, frame {}. Where the "
                    "camera moves, near things go farther than far ones beside them; where it "
                    "only turns, neighbours go alike.",
                    frames)}},
      {"caption", fmt::format("{} tracks that both frames show.", stems.size())},
      {"alone", "frames " + frames},
      {"exaggeration", 1.0},
      {"means", std::move(stems)}};
}

json seen_section(const plate::Tracks& tracks) {
  struct Seen {
    double first = 0.0;
    double last = 0.0;
    int count = 0;
  };
  std::vector<Seen> seen(tracks.names.size());
  for (const plate::TrackPoint& point : tracks.points) {
    Seen& track = seen[static_cast<std::size_t>(point.track)];
    track.last = tracks.frames[static_cast<std::size_t>(point.frame)];
    if (track.count++ == 0) track.first = track.last;
  }
  json rows = json::array();
  for (std::size_t t = 0; t < std::min(seen.size(), kMostTracks); ++t) {
    rows.push_back(table_row({printable(tracks.names[t], kLongestName),
                              fmt::format("{}", seen[t].count),
                              fmt::format("{}", seen[t].first),
                              fmt::format("{}", seen[t].last)}));
  }
  json words = json::array({"Nothing was solved, so no errors are known."});
  if (seen.size() > kMostTracks) {
    words.push_back(fmt::format("The first {} of {}.", kMostTracks, seen.size()));
  }
  return {{"kind", "table"},
          {"title", "Every track"},
          {"words", std::move(words)},
          {"columns",
           {text_column("track"),
            number_column("points"),
            number_column("first frame"),
            number_column("last frame")}},
          {"rows", std::move(rows)}};
}

}  // namespace trueplate::cli
