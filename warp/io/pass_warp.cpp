#include "warp/io/pass_warp.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdint>
#include <memory>
#include <optional>
#include <utility>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "warp/io/detail/channel_words.h"
#include "warp/io/detail/lent_alpha.h"
#include "warp/io/detail/part_warp.h"

namespace trueplate::warp {

using footage::Part;

std::string_view to_text(Ringing ringing) { return ringing == Ringing::kAllow ? "allow" : "limit"; }

Result<Ringing> parse_ringing(std::string_view text) {
  for (const Ringing ringing : {Ringing::kAllow, Ringing::kLimit}) {
    if (to_text(ringing) == trim(text)) return ringing;
  }
  return fail(ErrorCode::kInvalidInput, fmt::format("ringing '{}': wanted allow or limit", text));
}

namespace {

/// What is warped of a part: its pixels, which it then has no longer, and what they are.
Part pixels_of(Part& part) {
  Part pixels;
  pixels.pixels = std::exchange(part.pixels, {});
  pixels.windows = part.windows;
  pixels.channels = part.channels;
  pixels.alpha = part.alpha;
  return pixels;
}

/// A part whose colours go with an alpha of another: as if it had that alpha itself.
Part with_alpha(
    Part& part, const Part& lender, const detail::LentAlpha& lent, PartRules& rules, int threads) {
  Image<float> pixels = detail::with_lent_alpha(part, lender, lent.channel, threads);
  Part extended = pixels_of(part);
  extended.pixels = std::move(pixels);
  extended.channels.push_back({"A", lender.channels[lent.channel].format});
  for (ChannelTreatment& treatment : rules.channels) {
    if (treatment.rule != ChannelRule::kFilter) continue;
    treatment.why += fmt::format(", with the alpha of part {}", lender.name);
  }
  return extended;
}

/// Doubt about channels that are filtered and whose names end like those of IDs. `may-be-ids`;
/// value: how many.
std::optional<Warning> unsure_ids(const Part& part, const PartRules& rules) {
  std::string names;
  int count = 0;
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    const footage::Channel& channel = part.channels[c];
    const ChannelTreatment& treatment = rules.channels[c];
    const bool is_by_default =
        treatment.rule == ChannelRule::kFilter && treatment.why.starts_with(kColourReason);
    if (!is_by_default || channel.format != footage::SampleFormat::kFloat ||
        !detail::ends_like_id(channel.name)) {
      continue;
    }
    names += fmt::format("{}{}", count > 0 ? ", " : "", printable(channel.name, 255));
    ++count;
  }
  if (count == 0) return std::nullopt;
  return Warning{"may-be-ids",
                 fmt::format("filtered like colour, though named like IDs: {}; --pass NAME=nearest "
                             "keeps their numbers, --pass NAME=filter says that they are colour",
                             names),
                 static_cast<double>(count)};
}

/// The names of the channels that are not filtered.
std::string exact_channels(const Part& part, const PartRules& rules) {
  constexpr int kMostNames = 6;
  std::string names;
  int count = 0;
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (rules.channels[c].rule == ChannelRule::kFilter || ++count > kMostNames) continue;
    names += fmt::format("{}{}", count > 1 ? ", " : "", printable(part.channels[c].name, 60));
  }
  if (count > kMostNames) names += fmt::format(" and {} more", count - kMostNames);
  return names;
}

/// Doubt about a part no pixel of which lies in its display window. `off-display`; value: pixels
/// between the two.
std::optional<Warning> off_display(const Part& part) {
  const Window& data = part.windows.data;
  const Window& display = part.windows.display;
  // Wide: the windows of a file may lie two billion pixels apart.
  const auto gap = [](std::int64_t begin, int size, std::int64_t other_begin, int other_size) {
    return std::max(other_begin - (begin + size), begin - (other_begin + other_size));
  };
  const std::int64_t apart = std::max(gap(data.x, data.width, display.x, display.width),
                                      gap(data.y, data.height, display.y, display.height));
  if (apart < 0) return std::nullopt;
  return Warning{"off-display",
                 fmt::format("{}the picture lies wholly outside its display window, by {} px: data "
                             "{}x{} at {}, {}, display {}x{} at {}, {}; is one of them wrong?",
                             part.name.empty() ? "" : printable(part.name) + ": ",
                             apart,
                             data.width,
                             data.height,
                             data.x,
                             data.y,
                             display.width,
                             display.height,
                             display.x,
                             display.y),
                 static_cast<double>(apart)};
}

}  // namespace

Result<FrameInRows> warp_parts(footage::Frame frame,
                               const PictureMaps& maps,
                               const PassSettings& settings,
                               ChannelNotes& notes,
                               int threads) {
  FrameInRows made{.frame = std::move(frame)};
  std::vector<PartRules> rules;
  for (std::size_t i = 0; i < made.frame.num_parts(); ++i) {
    Result<PartRules> of_part = channel_rules(made.frame.part(i), settings.requests);
    if (!of_part) return fail(of_part.error());
    rules.push_back(*std::move(of_part));
  }
  const std::vector<std::optional<detail::LentAlpha>> lent = detail::lent_alphas(made.frame, rules);
  made.makers.resize(made.frame.num_parts());
  const auto add_maker = [&](std::size_t i, Part pixels, PartRules of_pixels) {
    const auto warp = std::make_shared<const detail::PartWarp>(
        std::move(pixels), maps, std::move(of_pixels), settings, threads);
    made.makers[i] = [warp](int first_row, ImageView<float> rows_here, int threads_here) {
      return warp->rows(first_row, rows_here, threads_here);
    };
  };
  // What borrows comes first, while the pixels of the lender are there.
  for (std::size_t i = 0; i < made.frame.num_parts(); ++i) {
    if (!lent[i]) continue;
    Part& part = made.frame.part(i);
    Part extended = with_alpha(part, made.frame.part(lent[i]->part), *lent[i], rules[i], threads);
    PartRules of_extended = rules[i];
    of_extended.channels.push_back({ChannelRule::kFilter, "lent"});
    add_maker(i, std::move(extended), std::move(of_extended));
  }
  for (std::size_t i = 0; i < made.frame.num_parts(); ++i) {
    Part& part = made.frame.part(i);
    notes.note(part, rules[i]);
    for (auto doubt : {off_display(part), unsure_ids(part, rules[i])}) {
      if (doubt) made.frame.warnings.push_back(*std::move(doubt));
    }
    made.exact_channels.push_back(exact_channels(part, rules[i]));
    if (!lent[i]) add_maker(i, pixels_of(part), std::move(rules[i]));
    part.windows = maps.main->output;
    if (settings.premultiplied == Premultiplied::kNot &&
        part.alpha == footage::Alpha::kAssociated) {
      part.alpha = footage::Alpha::kUnassociated;  // and no writer is to divide it
    }
  }
  return made;
}

}  // namespace trueplate::warp
