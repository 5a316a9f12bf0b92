#include "calib/plate/detail/common_findings.h"

#include <fmt/format.h>

#include <string>
#include <utility>
#include <vector>

#include "calib/base/counted.h"
#include "calib/plate/detail/words.h"

namespace trueplate::plate::detail {
namespace {

std::vector<std::string> tracks_only_in(const Tracks& tracks, int frame, int other) {
  const std::vector<std::size_t> starts = frame_starts(tracks);
  std::vector<char> there(tracks.names.size(), 0);
  const auto begin_other = starts[static_cast<std::size_t>(other)];
  const auto end_other = starts[static_cast<std::size_t>(other) + 1];
  for (std::size_t i = begin_other; i < end_other; ++i) {
    there[static_cast<std::size_t>(tracks.points[i].track)] = 1;
  }
  std::vector<std::string> names;
  for (std::size_t i = starts[static_cast<std::size_t>(frame)];
       i < starts[static_cast<std::size_t>(frame) + 1];
       ++i) {
    const int track = tracks.points[i].track;
    if (there[static_cast<std::size_t>(track)] == 0) names.push_back(shown(tracks, track));
  }
  return names;
}

/// Tracks that one of two frames shows and the other does not, as sentences.
std::string missing_words(const Tracks& tracks, int frame_a, int frame_b) {
  std::string words;
  for (const auto& [here, there] : {std::pair(frame_a, frame_b), std::pair(frame_b, frame_a)}) {
    const std::vector<std::string> missing = tracks_only_in(tracks, here, there);
    if (missing.empty()) continue;
    words += fmt::format("{}Only in frame {}: {}.",
                         words.empty() ? "" : " ",
                         number_of(tracks, here),
                         listed(missing));
  }
  return words.empty() ? "Add tracks." : words;
}

}  // namespace

Finding too_few_common(const Tracks& tracks, const PairMotion& best) {
  if (best.num_common < 0) {
    return {Cause::kTooFewCommon,
            0.0,
            fmt::format("There is one frame ({}); a camera solve needs at least two, with {} "
                        "common tracks.",
                        number_of(tracks, 0),
                        kFewestCommon)};
  }
  return {Cause::kTooFewCommon,
          0.0,
          fmt::format("Frames {} and {} have {} in common, {} fewer than the {} that a solve "
                      "needs to start; no other pair has more. {}",
                      number_of(tracks, best.frame_a),
                      number_of(tracks, best.frame_b),
                      counted(static_cast<std::size_t>(best.num_common), "track"),
                      kFewestCommon - best.num_common,
                      kFewestCommon,
                      missing_words(tracks, best.frame_a, best.frame_b))};
}

Finding too_few_in_keyframes(const Tracks& tracks,
                             const std::array<int, 2>& keyframes,
                             const PairMotion& best) {
  const int common = num_common_tracks(tracks, keyframes[0], keyframes[1]);
  if (best.num_common <= common) {
    return too_few_common(tracks,
                          {.frame_a = keyframes[0], .frame_b = keyframes[1], .num_common = common});
  }
  return {Cause::kTooFewCommon,
          0.0,
          fmt::format("The keyframes asked for, {} and {}, have {} in common, {} fewer than "
                      "the {} that a solve needs to start. Frames {} and {} have {}: ask for "
                      "others, or leave the choice open. {}",
                      number_of(tracks, keyframes[0]),
                      number_of(tracks, keyframes[1]),
                      counted(static_cast<std::size_t>(common), "track"),
                      kFewestCommon - common,
                      kFewestCommon,
                      number_of(tracks, best.frame_a),
                      number_of(tracks, best.frame_b),
                      best.num_common,
                      missing_words(tracks, keyframes[0], keyframes[1]))};
}

std::optional<Finding> broken_chain(const Tracks& tracks, const Trial& trial) {
  if (trial.unsolved_frames.empty()) return std::nullopt;
  std::vector<char> open(tracks.frames.size(), 0);
  for (const int frame : trial.unsolved_frames) open[static_cast<std::size_t>(frame)] = 1;
  Finding finding{Cause::kTooFewCommon,
                  0.0,
                  fmt::format("{} of {} {} too few tracks with the others and {} no camera.",
                              trial.unsolved_frames.size(),
                              counted(tracks.frames.size(), "frame"),
                              agreed(trial.unsolved_frames.size(), "shares", "share"),
                              agreed(trial.unsolved_frames.size(), "has", "have"))};
  for (std::size_t f = 0; f + 1 < open.size(); ++f) {
    if (open[f] == open[f + 1]) continue;
    const int with = static_cast<int>(open[f] == 0 ? f : f + 1);
    const int without = static_cast<int>(open[f] == 0 ? f + 1 : f);
    const std::vector<std::string> missing = tracks_only_in(tracks, with, without);
    finding.words += fmt::format(
        " The chain breaks between frames {} and {}, which share {}; {} are wanted.{} Add "
        "tracks that go across.",
        number_of(tracks, static_cast<int>(f)),
        number_of(tracks, static_cast<int>(f + 1)),
        counted(static_cast<std::size_t>(num_common_tracks(tracks, with, without)), "track"),
        kFewestCommon,
        missing.empty()
            ? std::string()
            : fmt::format(
                  " Missing in frame {}: {}.", number_of(tracks, without), listed(missing)));
    break;
  }
  return finding;
}

}  // namespace trueplate::plate::detail
