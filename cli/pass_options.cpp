#include "cli/pass_options.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/base/utf8.h"
#include "cli/help/spelling.h"

namespace trueplate::cli {

void add_passes(CLI::App& app, PassArguments& passes) {
  const OptionsUnder heading(app, "Filter and passes");
  one_of(app.add_option("--filter",
                        passes.filter,
                        "between pixels; area averages where the picture gets smaller"),
         {"bilinear", "cubic", "lanczos", "area"})
      ->capture_default_str();
  app.add_option(
         "--pass",
         passes.requests,
         "how to look up the channels whose names fit PATTERN: filter, nearest, surface or motion")
      ->allow_extra_args(false)
      ->type_name("PATTERN=RULE");
  one_of(app.add_option("--edge", passes.edge, "beyond the edge of a picture"),
         {"black", "hold", "mirror"})
      ->capture_default_str();
  one_of(app.add_option("--ringing", passes.ringing, "dark rings beside highlights above 1"),
         {"allow", "limit"})
      ->capture_default_str();
  one_of(app.add_option("--motion-y", passes.motion_y, "which way motion vectors count along y"),
         {"up", "down"})
      ->capture_default_str();
  app.add_flag("--unpremultiplied",
               passes.unpremultiplied,
               "colours are not multiplied by alpha; default: as the format has it");
}

Result<warp::PassSettings> pass_settings(const PassArguments& passes) {
  warp::PassSettings settings;
  const Result<warp::Filter> filter = warp::parse_filter(passes.filter);
  if (!filter) return fail(filter.error());
  const Result<warp::Edge> edge = warp::parse_edge(passes.edge);
  if (!edge) return fail(edge.error());
  const Result<warp::Ringing> ringing = warp::parse_ringing(passes.ringing);
  if (!ringing) return fail(ringing.error());
  const Result<warp::MotionY> motion_y = warp::parse_motion_y(passes.motion_y);
  if (!motion_y) return fail(motion_y.error());
  for (const std::string& text : passes.requests) {
    Result<warp::RuleRequest> request = warp::parse_rule_request(text);
    if (!request) return fail({request.error().code, "--pass " + request.error().message});
    settings.requests.push_back(*std::move(request));
  }
  settings.filter = *filter;
  settings.edge = *edge;
  settings.ringing = *ringing;
  settings.motion_y = *motion_y;
  if (passes.unpremultiplied) settings.premultiplied = warp::Premultiplied::kNot;
  return settings;
}

Result<void> check_passes(const warp::PassSettings& settings, const footage::FrameSet& frames) {
  if (settings.requests.empty()) return {};
  for (const footage::FrameRef& ref : frames.frames) {
    if (ref.movie_frame) continue;
    const Result<footage::Frame> frame = footage::read_frame_header(ref.path, footage::Parts::kAll);
    if (!frame) continue;  // the sequence names it
    if (Result<void> checked = warp::check_requests(*frame, settings.requests); !checked) {
      return fail(
          {checked.error().code, fmt::format("--pass: {}: {}", ref.name, checked.error().message)});
    }
    return {};
  }
  return {};
}

std::vector<Warning> unused_options(const CLI::App& app,
                                    const std::vector<warp::TreatedChannel>& channels) {
  if (channels.empty() || app.count("--motion-y") == 0) return {};
  const bool any =
      std::any_of(channels.begin(), channels.end(), [](const warp::TreatedChannel& channel) {
        return channel.treatment.rule == warp::ChannelRule::kMotion;
      });
  if (any) return {};
  return {{"unused-option",
           "--motion-y: no channel was taken for motion vectors, so it has changed nothing; --pass "
           "NAME=motion names them",
           1.0}};
}

std::string channels_text(const std::vector<warp::TreatedChannel>& channels) {
  constexpr int kMostNames = 12;
  std::string text;
  for (const warp::ChannelRule rule :
       {warp::ChannelRule::kNearest, warp::ChannelRule::kSurface, warp::ChannelRule::kMotion}) {
    std::string names;
    int count = 0;
    for (const warp::TreatedChannel& channel : channels) {
      if (channel.treatment.rule != rule) continue;
      if (++count > kMostNames) continue;
      names += fmt::format("{}{}{}",
                           names.empty() ? "" : ", ",
                           channel.part.empty() ? "" : printable(channel.part, 255) + ".",
                           printable(channel.channel, 255));
    }
    if (count == 0) continue;
    if (count > kMostNames) names += fmt::format(" and {} more", count - kMostNames);
    text += fmt::format("{}{}: {}", text.empty() ? "not filtered: " : "; ", to_text(rule), names);
  }
  return text.empty() ? text : text + "\n";
}

nlohmann::json channels_json(const std::vector<warp::TreatedChannel>& channels) {
  nlohmann::json list = nlohmann::json::array();
  for (const warp::TreatedChannel& channel : channels) {
    nlohmann::json entry = {{"channel", channel.channel},
                            {"rule", to_text(channel.treatment.rule)},
                            {"why", channel.treatment.why},
                            {"part", nullptr}};
    if (!channel.part.empty()) entry["part"] = channel.part;
    list.push_back(std::move(entry));
  }
  return list;
}

}  // namespace trueplate::cli
