#include "warp/io/detail/lent_alpha.h"

#include <algorithm>
#include <cstdint>
#include <string>
#include <variant>

#include "calib/base/parallel.h"
#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/channel_words.h"

namespace trueplate::warp::detail {
namespace {

using footage::Part;

/// The eye of a stereo picture that a part is of; empty where it does not say.
std::string view_of(const Part& part) {
  if (!part.metadata) return {};
  const auto* header = std::get_if<Imf::Header>(&part.metadata->header);
  return header != nullptr && header->hasView() ? header->view() : std::string();
}

/// The filtered alphas of a part.
std::vector<std::size_t> alphas_of(const Part& part, const PartRules& rules) {
  std::vector<std::size_t> alphas;
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (rules.channels[c].rule == ChannelRule::kFilter &&
        layer_and_leaf(part.channels[c].name).leaf == "A") {
      alphas.push_back(c);
    }
  }
  return alphas;
}

bool has_colours(const PartRules& rules) {
  return std::any_of(rules.channels.begin(), rules.channels.end(), [](const auto& treatment) {
    return treatment.rule == ChannelRule::kFilter;
  });
}

}  // namespace

std::vector<std::optional<LentAlpha>> lent_alphas(const footage::Frame& frame,
                                                  std::span<const PartRules> rules) {
  std::vector<std::optional<LentAlpha>> lent(frame.num_parts());
  if (frame.num_parts() == 1) return lent;
  std::vector<std::vector<std::size_t>> alphas;
  for (std::size_t p = 0; p < frame.num_parts(); ++p) {
    alphas.push_back(alphas_of(frame.part(p), rules[p]));
  }
  for (std::size_t p = 0; p < frame.num_parts(); ++p) {
    if (!alphas[p].empty() || !has_colours(rules[p])) continue;
    const std::string view = view_of(frame.part(p));
    std::vector<LentAlpha> all;
    for (std::size_t lender = 0; lender < frame.num_parts() && !lent[p]; ++lender) {
      if (alphas[lender].empty() || view_of(frame.part(lender)) != view) continue;
      for (const std::size_t c : alphas[lender]) {
        all.push_back({lender, c});
        if (frame.part(lender).channels[c].name == "A") lent[p] = all.back();
      }
    }
    if (!lent[p] && all.size() == 1) lent[p] = all.front();
  }
  return lent;
}

Image<float> with_lent_alpha(const Part& part,
                             const Part& lender,
                             std::size_t channel,
                             int threads) {
  const int num_channels = part.pixels.channels();
  Image<float> extended(part.pixels.width(), part.pixels.height(), num_channels + 1);
  // Wide: the windows of a file may lie two billion pixels apart.
  const Window& here = part.windows.data;
  const Window& there = lender.windows.data;
  const auto fill_row = [&](int y) {
    const float* from = part.pixels.row(y);
    float* to = extended.row(y);
    const std::int64_t lender_y = std::int64_t{here.y} + y - there.y;
    const bool has_row = lender_y >= 0 && lender_y < there.height;
    for (int x = 0; x < extended.width(); ++x, from += num_channels, to += num_channels + 1) {
      std::copy_n(from, num_channels, to);
      const std::int64_t lender_x = std::int64_t{here.x} + x - there.x;
      const bool has_pixel = has_row && lender_x >= 0 && lender_x < there.width;
      to[num_channels] = has_pixel ? lender.pixels.at(static_cast<int>(lender_x),
                                                      static_cast<int>(lender_y),
                                                      static_cast<int>(channel))
                                   : 0.0F;
    }
  };
  parallel_rows(extended.height(), threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) fill_row(y);
  });
  return extended;
}

}  // namespace trueplate::warp::detail
