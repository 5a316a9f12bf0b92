// Which rule a channel gets by its name, format and header: the table of docs/passes.md. The names
// are common practice, no source.

#include "warp/io/channel_rules.h"

#include <doctest/doctest.h>

#include <string>
#include <vector>

using namespace trueplate;
using namespace trueplate::warp;
using footage::SampleFormat;

namespace {

footage::Part part_of(const std::vector<std::string>& names,
                      SampleFormat format = SampleFormat::kHalf,
                      std::string part_name = {}) {
  footage::Part part;
  part.name = std::move(part_name);
  for (const std::string& name : names) part.channels.push_back({name, format});
  return part;
}

std::string rules_text(const footage::Part& part, const std::vector<RuleRequest>& requests = {}) {
  const Result<PartRules> rules = channel_rules(part, requests);
  if (!rules) return rules.error().message;
  std::string text;
  for (const ChannelTreatment& treatment : rules->channels)
    text += to_text(treatment.rule).substr(0, 1);
  return text;
}

std::vector<std::pair<int, int>> pairs_of(const footage::Part& part,
                                          const std::vector<RuleRequest>& requests = {}) {
  const Result<PartRules> rules = channel_rules(part, requests);
  REQUIRE(rules);
  std::vector<std::pair<int, int>> pairs;
  for (const MotionChannels& channels : rules->motion) pairs.emplace_back(channels.x, channels.y);
  return pairs;
}

using Pairs = std::vector<std::pair<int, int>>;

}  // namespace

TEST_CASE("colours are filtered, in any layer and of any name") {
  CHECK(rules_text(part_of({"R", "G", "B", "A"})) == "ffff");
  CHECK(rules_text(part_of({"Y"})) == "f");
  CHECK(rules_text(part_of(
            {"diffuse.R", "diffuse.G", "diffuse.B", "spec_2.R", "left.R", "a b.c d"})) == "ffffff");
  CHECK(rules_text(part_of(
            {"matte.R", "matte01.G", "object.R", "pass_n.R", "hidden.R", "idle.B"})) == "ffffff");
  CHECK(rules_text(part_of({""})) == "f");
}

TEST_CASE("numbers: by format, by header, by name, by rank; coverage goes with them") {
  CHECK(rules_text(part_of({"anything"}, SampleFormat::kUint32)) == "n");
  footage::Part listed = part_of({"who.R", "other.R"});
  listed.channels[0].has_id_table = true;
  CHECK(rules_text(listed) == "nf");
  CHECK(rules_text(part_of(
            {"id", "objectID", "ID", "IDs", "materialId.R", "obj_id", "matid", "IDMatte.G"})) ==
        "nnnnnnnn");
  const std::vector<std::string> ranked{"sceneObject00.R",
                                        "sceneObject00.G",
                                        "sceneObject00.B",
                                        "sceneObject00.A",
                                        "sceneObject01.R"};
  CHECK(rules_text(part_of(ranked, SampleFormat::kFloat)) ==
        "nnnnf");                                 // the second layer is not whole
  CHECK(rules_text(part_of(ranked)) == "fffff");  // half holds no numbers
  CHECK(rules_text(part_of({"uid", "hero_uid.R", "faceID", "UUID"})) == "nnnn");
  CHECK(rules_text(part_of({"id", "coverage", "R"})) == "nnf");
  CHECK(rules_text(part_of({"coverage", "R"})) == "ff");
  CHECK(rules_text(part_of({"a.id", "b.coverage", "a.coverage"})) == "nfn");
}

TEST_CASE("a word counts as a whole, and one of two meanings only where nothing else is named") {
  // Numbers: an index of objects; ranks in a word of its own or not, in layers or parts.
  CHECK(rules_text(part_of({"IndexOB.X", "IndexMA.X", "object_index.R", "index"})) == "nnnn");
  CHECK(rules_text(part_of({"index_of_refraction.R", "indexed.R"})) == "ff");
  const std::vector<std::string> ranked{
      "sceneasset00.R", "sceneasset00.G", "sceneasset00.B", "sceneasset00.A"};
  CHECK(rules_text(part_of(ranked, SampleFormat::kFloat)) == "nnnn");
  CHECK(rules_text(part_of({"R", "G", "B", "A"}, SampleFormat::kFloat, "sceneMaterial02")) ==
        "nnnn");
  CHECK(rules_text(part_of({"R", "G", "B", "A"}, SampleFormat::kFloat, "take02")) == "ffff");
  // Things to look at.
  CHECK(rules_text(part_of({"river_flow.R", "river_flow.G", "river_flow.B"})) == "fff");
  CHECK(rules_text(part_of({"UV_light.R", "UV_light.G", "uvlamp.R", "uv_tube.R", "z_fog.R"})) ==
        "fffff");
  CHECK(rules_text(part_of({"motion_blur.R", "motion_blur.G", "depth_light.R", "glow_normal.R"})) ==
        "ffff");
  CHECK(rules_text(part_of({"forward_scatter.R", "vector_art.G", "distance_haze.B"})) == "fff");
  // And what is not to be looked at, with other words beside.
  CHECK(rules_text(part_of({"hero_uv.R", "hero_Z.R", "Z_front.R", "world_pos.R", "fg_depth.Y"})) ==
        "sssss");
  CHECK(pairs_of(part_of({"optical_flow.R", "optical_flow.G"})) == Pairs{{0, 1}});
  CHECK(pairs_of(part_of({"camera_forward.x", "camera_forward.y"})) == Pairs{{0, 1}});
  CHECK(pairs_of(part_of({"hero_motion.u", "hero_motion.v"})) == Pairs{{0, 1}});
  // The reason names the word.
  const Result<PartRules> rules = channel_rules(part_of({"hero_uv.R", "mv.x"}), {});
  REQUIRE(rules);
  CHECK(rules->channels[0].why == "called 'uv', of a surface");
  CHECK(rules->channels[1].why == "called 'mv', a motion without its other half");
}

TEST_CASE("depth, normals, positions and coordinates follow surfaces") {
  CHECK(rules_text(part_of({"Z", "ZBack", "depth.Y", "zDepth", "N.x", "N.y", "N.z", "P.X"})) ==
        "ssssssss");
  CHECK(rules_text(part_of({"worldPosition.R", "normals.G", "uv.R", "any.x", "any.y", "any.z"})) ==
        "ssssss");
  CHECK(rules_text(part_of({"tex.u", "tex.v", "lone.u", "lum.Y"})) == "ssff");
  CHECK(rules_text(part_of({"R", "G", "B", "A"}, SampleFormat::kHalf, "depth")) == "ssss");
  CHECK(rules_text(part_of({"R", "G"}, SampleFormat::kHalf, "objectID")) == "nn");
}

TEST_CASE("motion vectors come in pairs; what is no pair is only looked up") {
  CHECK(pairs_of(part_of({"motion.x", "motion.y"})) == Pairs{{0, 1}});
  CHECK(pairs_of(part_of({"forward.u", "forward.v", "backward.u", "backward.v"})) ==
        Pairs{{0, 1}, {2, 3}});
  CHECK(
      pairs_of(part_of({"motionVector.R", "motionVector.G", "motionVector.B", "motionVector.A"})) ==
      Pairs{{0, 1}, {2, 3}});
  CHECK(pairs_of(part_of({"mv_y", "mv_x"})) == Pairs{{1, 0}});
  CHECK(pairs_of(part_of({"x", "y"}, SampleFormat::kHalf, "motion")) == Pairs{{0, 1}});
  const footage::Part three = part_of({"motion.R", "motion.G", "motion.B"});
  CHECK(rules_text(three) == "mms");
  CHECK(pairs_of(three) == Pairs{{0, 1}});
  CHECK(rules_text(part_of({"motion.x", "motion.y", "motion.z"})) == "sss");  // in space
  CHECK(rules_text(part_of({"motion.u", "R"})) == "sf");
}

TEST_CASE("requests overrule, the last one counts, patterns as in file names") {
  const footage::Part part = part_of({"R", "Z", "a.p", "a.q"}, SampleFormat::kHalf, "main");
  CHECK(rules_text(part, {{"Z", ChannelRule::kNearest}}) == "fnff");
  CHECK(rules_text(part, {{"a.*", ChannelRule::kNearest}, {"?.q", ChannelRule::kSurface}}) ==
        "fsns");
  CHECK(rules_text(part, {{"main.*", ChannelRule::kNearest}}) == "nnnn");
  CHECK(rules_text(part, {{"other.*", ChannelRule::kNearest}}) == "fsff");
  CHECK(pairs_of(part_of({"w.x", "w.y", "w.z"}), {{"w.[xy]", ChannelRule::kMotion}}) ==
        Pairs{{0, 1}});
  CHECK(rules_text(part, {{"a.p", ChannelRule::kMotion}})
            .find("main.a.p: motion needs two channels") != std::string::npos);
  const footage::Part numbers = part_of({"id"}, SampleFormat::kUint32);
  CHECK(rules_text(numbers, {{"id", ChannelRule::kFilter}}).find("only nearest keeps them") !=
        std::string::npos);
  CHECK(rules_text(numbers, {{"id", ChannelRule::kNearest}}) == "n");
}

TEST_CASE(
    "requests on the command line: words, and the nearest name for a pattern that fits nothing") {
  const Result<RuleRequest> request = parse_rule_request("depth.*=nearest");
  REQUIRE(request);
  CHECK(request->pattern == "depth.*");
  CHECK(request->rule == ChannelRule::kNearest);
  CHECK(parse_rule_request("a=b=filter")->pattern == "a=b");
  CHECK(
      parse_rule_request("Z=nearset").error().message.find("filter, nearest, surface or motion") !=
      std::string::npos);
  CHECK_FALSE(parse_rule_request("=filter"));
  CHECK_FALSE(parse_rule_request("filter"));
  CHECK_FALSE(parse_rule_request(""));
  for (const ChannelRule rule :
       {ChannelRule::kFilter, ChannelRule::kNearest, ChannelRule::kSurface, ChannelRule::kMotion}) {
    CHECK(*parse_channel_rule(to_text(rule)) == rule);
  }

  footage::Frame frame;
  static_cast<footage::Part&>(frame) = part_of({"R", "G", "B"}, SampleFormat::kHalf, "beauty");
  frame.further_parts.push_back(part_of({"Z"}, SampleFormat::kFloat, "depth"));
  const auto check = [&](std::string pattern) {
    const std::vector<RuleRequest> requests{{std::move(pattern), ChannelRule::kNearest}};
    const Result<void> checked = check_requests(frame, requests);
    return checked ? std::string() : checked.error().message;
  };
  CHECK(check("Z").empty());
  CHECK(check("depth.Z").empty());
  CHECK(check("b*").empty());
  CHECK(check("detph.Z") == "no channel fits 'detph.Z'; the nearest name is 'depth.Z'");
  CHECK(check("beauty.r").find("'beauty.R'") != std::string::npos);
}
