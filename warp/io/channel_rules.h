#pragma once

#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "warp/passes.h"

namespace trueplate::warp {

/// How a channel is looked up in the source.
enum class ChannelRule {
  kFilter,   // colour, coverage: the filter of the command
  kNearest,  // numbers of objects: the nearest pixel, bit for bit
  kSurface,  // depth, normals, positions: along the nearest pixel's surface, see look_up_surface()
  kMotion,   // motion vectors in the picture: the same, and both ends through the map
};
/// "filter", "nearest", "surface", "motion".
[[nodiscard]] std::string_view to_text(ChannelRule rule);
Result<ChannelRule> parse_channel_rule(std::string_view text);

/// A rule somebody asks for: of all channels whose name, or PART.NAME, fits the pattern (* and ? as
/// in file names). Of several that fit, the last counts.
struct RuleRequest {
  std::string pattern;
  ChannelRule rule = ChannelRule::kFilter;
};
/// From `PATTERN=RULE`.
Result<RuleRequest> parse_rule_request(std::string_view text);

/// ChannelTreatment::why of what nothing speaks against filtering.
inline constexpr std::string_view kColourReason = "colour";

struct ChannelTreatment {
  ChannelRule rule = ChannelRule::kFilter;
  std::string why;  // a few words
};

/// The treatment of a part's channels, in their order.
struct PartRules {
  std::vector<ChannelTreatment> channels;
  std::vector<MotionChannels> motion;  // the pairs among those of kMotion
};

/// Chooses by format, header and name; docs/passes.md has the words. Requests of a pattern that
/// fits nothing in this part do nothing. errors  kInvalidInput: a request that would compute with
/// unsigned integers, or that asks for motion
///         where a channel has no partner.
Result<PartRules> channel_rules(const footage::Part& part, std::span<const RuleRequest> requests);

/// Refuses, with the nearest name there is, a request whose pattern fits no channel of any part.
Result<void> check_requests(const footage::Frame& frame, std::span<const RuleRequest> requests);

}  // namespace trueplate::warp
