#include "warp/io/channel_rules.h"

#include <fmt/format.h>
#include <fnmatch.h>

#include <algorithm>
#include <array>
#include <limits>
#include <optional>
#include <utility>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "warp/io/detail/channel_words.h"

namespace trueplate::warp {
namespace {

using footage::Channel;
using footage::Part;
using footage::SampleFormat;

constexpr std::array<std::pair<ChannelRule, std::string_view>, 4> kRules{
    {{ChannelRule::kFilter, "filter"},
     {ChannelRule::kNearest, "nearest"},
     {ChannelRule::kSurface, "surface"},
     {ChannelRule::kMotion, "motion"}}};

std::string full_name(const Part& part, const Channel& channel) {
  return part.name.empty() ? channel.name : part.name + "." + channel.name;
}

bool fits(const RuleRequest& request, const Part& part, const Channel& channel) {
  const char* pattern = request.pattern.c_str();
  return fnmatch(pattern, channel.name.c_str(), 0) == 0 ||
         fnmatch(pattern, full_name(part, channel).c_str(), 0) == 0;
}

/// Whether the part has a channel of this layer and leaf.
bool has_channel(const Part& part, std::string_view layer, std::string_view leaf) {
  return std::any_of(part.channels.begin(), part.channels.end(), [&](const Channel& channel) {
    const auto [its_layer, its_leaf] = detail::layer_and_leaf(channel.name);
    return its_layer == layer && its_leaf == leaf;
  });
}

/// Whether a layer holds pairs of ID and coverage by rank, as renders write them (common practice,
/// no source): 32-bit float R, G, B, A in layers, or parts, numbered with two digits, whose names
/// end in what is told apart, in a word of its own or not.
bool is_ranked_ids(const Part& part, std::string_view layer) {
  const std::string_view name = layer.empty() ? std::string_view(part.name) : layer;
  const auto is_digit = [](char c) { return c >= '0' && c <= '9'; };
  if (name.size() < 3 || !is_digit(name.back()) || !is_digit(name[name.size() - 2])) return false;
  const std::vector<std::string> words = detail::words_of(name);
  const bool named = std::any_of(words.begin(), words.end(), [](const std::string& word) {
    return word.ends_with("object") || word.ends_with("material") || word.ends_with("asset");
  });
  if (!named) return false;
  int num_float = 0;
  for (const Channel& channel : part.channels) {
    const auto [its_layer, leaf] = detail::layer_and_leaf(channel.name);
    if (its_layer != layer) continue;
    if (channel.format != SampleFormat::kFloat) return false;
    if (leaf == "R" || leaf == "G" || leaf == "B" || leaf == "A") ++num_float;
  }
  return num_float == 4;
}

/// What part, layer and leaf say together.
detail::SaidByName said_of(const Part& part, const Channel& channel) {
  const auto [layer, leaf] = detail::layer_and_leaf(channel.name);
  detail::SaidByName said = detail::said_by_name(leaf);
  for (const std::string_view name : {layer, std::string_view(part.name)}) {
    detail::SaidByName other = detail::said_by_name(name);
    if (other.meaning > said.meaning) said = std::move(other);
  }
  return said;
}

/// Coordinates by their leaves: x, y, z or u, v of one layer.
bool has_coordinate_leaf(const Part& part, std::string_view layer, std::string_view leaf) {
  static constexpr std::array<std::array<std::string_view, 3>, 4> kSets{
      {{"x", "y", "z"}, {"X", "Y", "Z"}, {"u", "v", ""}, {"U", "V", ""}}};
  return std::any_of(kSets.begin(), kSets.end(), [&](const auto& set) {
    const bool is_one = std::find(set.begin(), set.end(), leaf) != set.end() && !leaf.empty();
    return is_one && has_channel(part, layer, set[0]) && has_channel(part, layer, set[1]);
  });
}

/// Three coordinates are a vector in space: nothing in the picture to turn.
bool is_in_space(const Part& part, std::string_view layer) {
  return (has_channel(part, layer, "x") && has_channel(part, layer, "z")) ||
         (has_channel(part, layer, "X") && has_channel(part, layer, "Z"));
}

ChannelTreatment treatment_of(const Part& part, const Channel& channel) {
  const auto [layer, leaf] = detail::layer_and_leaf(channel.name);
  if (channel.format == SampleFormat::kUint32) return {ChannelRule::kNearest, "unsigned integers"};
  if (channel.has_id_table) return {ChannelRule::kNearest, "in an ID table of the header"};
  if (is_ranked_ids(part, layer)) return {ChannelRule::kNearest, "ID and coverage by rank"};
  const detail::SaidByName said = said_of(part, channel);
  const std::string called = fmt::format("called '{}'", said.word);
  switch (said.meaning) {
    case detail::Meaning::kIds:
      return {ChannelRule::kNearest, called + ", an ID"};
    case detail::Meaning::kMotion:
      if (is_in_space(part, layer)) return {ChannelRule::kSurface, called + ", a motion in space"};
      return {ChannelRule::kMotion, called + ", a motion"};
    case detail::Meaning::kData:
      return {ChannelRule::kSurface, called + ", of a surface"};
    case detail::Meaning::kCoverage:
    case detail::Meaning::kColour:
      break;
  }
  if (has_coordinate_leaf(part, layer, leaf)) return {ChannelRule::kSurface, "coordinates"};
  return {ChannelRule::kFilter, std::string(kColourReason)};
}

/// Coverages that stand in a layer with IDs go with them: each belongs to the ID of its own pixel.
void join_coverages(const Part& part, PartRules& rules) {
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (rules.channels[c].rule != ChannelRule::kFilter ||
        said_of(part, part.channels[c]).meaning != detail::Meaning::kCoverage) {
      continue;
    }
    const std::string_view layer = detail::layer_and_leaf(part.channels[c].name).layer;
    for (std::size_t other = 0; other < part.channels.size(); ++other) {
      if (rules.channels[other].rule == ChannelRule::kNearest &&
          detail::layer_and_leaf(part.channels[other].name).layer == layer) {
        rules.channels[c] = {ChannelRule::kNearest, "coverage beside IDs"};
        break;
      }
    }
  }
}

/// The channel with the same name but for its last letter, among those of motion without a partner.
std::optional<int> partner_of(const Part& part,
                              const std::vector<bool>& is_free,
                              const std::string& name,
                              std::string_view firsts,
                              std::string_view seconds) {
  const std::size_t place = name.empty() ? std::string_view::npos : firsts.find(name.back());
  if (place == std::string_view::npos) return std::nullopt;
  std::string wanted = name;
  wanted.back() = seconds[place];
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (is_free[c] && part.channels[c].name == wanted) return static_cast<int>(c);
  }
  return std::nullopt;
}

/// Pairs x with y, u with v, R with G; then B with A, the second vector of a layer of four.
void pair_motion(const Part& part, PartRules& rules, std::vector<bool>& is_free) {
  using Letters = std::pair<std::string_view, std::string_view>;
  for (const auto& [firsts, seconds] : {Letters("xXuURr", "yYvVGg"), Letters("Bb", "Aa")}) {
    for (std::size_t c = 0; c < part.channels.size(); ++c) {
      if (!is_free[c]) continue;
      const auto partner = partner_of(part, is_free, part.channels[c].name, firsts, seconds);
      if (!partner) continue;
      rules.motion.push_back({static_cast<int>(c), *partner});
      is_free[c] = false;
      is_free[static_cast<std::size_t>(*partner)] = false;
    }
  }
}

Result<void> apply_requests(const Part& part,
                            std::span<const RuleRequest> requests,
                            PartRules& rules) {
  for (const RuleRequest& request : requests) {
    for (std::size_t c = 0; c < part.channels.size(); ++c) {
      if (!fits(request, part, part.channels[c])) continue;
      if (part.channels[c].format == SampleFormat::kUint32 &&
          request.rule != ChannelRule::kNearest) {
        return fail(
            ErrorCode::kInvalidInput,
            fmt::format("{}={}: channel {} holds unsigned integers; only nearest keeps them",
                        request.pattern,
                        to_text(request.rule),
                        printable(part.channels[c].name)));
      }
      rules.channels[c] = {request.rule, "asked for"};
    }
  }
  return {};
}

}  // namespace

std::string_view to_text(ChannelRule rule) {
  for (const auto& [value, name] : kRules) {
    if (value == rule) return name;
  }
  return {};
}

Result<ChannelRule> parse_channel_rule(std::string_view text) {
  for (const auto& [value, name] : kRules) {
    if (name == trim(text)) return value;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("rule '{}': wanted filter, nearest, surface or motion", text));
}

Result<RuleRequest> parse_rule_request(std::string_view text) {
  const std::size_t equals = text.rfind('=');
  if (equals == std::string_view::npos || trim(text.substr(0, equals)).empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("'{}': wanted PATTERN=RULE, such as depth.*=surface", text));
  }
  const Result<ChannelRule> rule = parse_channel_rule(text.substr(equals + 1));
  if (!rule) return fail(rule.error());
  return RuleRequest{std::string(trim(text.substr(0, equals))), *rule};
}

Result<PartRules> channel_rules(const Part& part, std::span<const RuleRequest> requests) {
  PartRules rules;
  for (const Channel& channel : part.channels) {
    rules.channels.push_back(treatment_of(part, channel));
  }
  join_coverages(part, rules);
  if (Result<void> applied = apply_requests(part, requests, rules); !applied) {
    return fail(applied.error());
  }
  std::vector<bool> is_free;
  for (const ChannelTreatment& treatment : rules.channels) {
    is_free.push_back(treatment.rule == ChannelRule::kMotion);
  }
  pair_motion(part, rules, is_free);
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (!is_free[c]) continue;
    if (rules.channels[c].why == "asked for") {
      return fail(
          ErrorCode::kInvalidInput,
          fmt::format("channel {}: motion needs two channels, whose names end in x and y, u "
                      "and v, R and G, or B and A",
                      printable(full_name(part, part.channels[c]))));
    }
    rules.channels[c] = {ChannelRule::kSurface, rules.channels[c].why + " without its other half"};
  }
  return rules;
}

Result<void> check_requests(const footage::Frame& frame, std::span<const RuleRequest> requests) {
  for (const RuleRequest& request : requests) {
    std::string nearest;
    std::size_t least = std::numeric_limits<std::size_t>::max();
    bool found = false;
    for (std::size_t p = 0; p < frame.num_parts() && !found; ++p) {
      const Part& part = frame.part(p);
      for (const Channel& channel : part.channels) {
        found = found || fits(request, part, channel);
        for (const std::string& name : {channel.name, full_name(part, channel)}) {
          const std::size_t distance = detail::edit_distance(request.pattern, name);
          if (distance < least) {
            least = distance;
            nearest = name;
          }
        }
      }
    }
    if (found) continue;
    return fail(ErrorCode::kInvalidInput,
                fmt::format("no channel fits '{}'; the nearest name is '{}'",
                            request.pattern,
                            printable(nearest, 255)));
  }
  return {};
}

}  // namespace trueplate::warp
