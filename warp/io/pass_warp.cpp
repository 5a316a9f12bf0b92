#include "warp/io/pass_warp.h"

#include <fmt/format.h>

#include <algorithm>
#include <atomic>
#include <map>
#include <string_view>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/base/text.h"
#include "warp/detail/pass_rows.h"
#include "warp/io/detail/channel_words.h"

namespace trueplate::warp {
namespace {

using footage::Part;

/// The filtered channels that share a map.
struct FilterGroup {
  const StMap* map = nullptr;
  std::vector<int> channels;
};

/// An alpha and the colours of its layer.
struct AlphaLayer {
  int alpha = 0;
  std::vector<int> colours;
};

std::vector<int> channels_with(const PartRules& rules, ChannelRule rule) {
  std::vector<int> channels;
  for (std::size_t c = 0; c < rules.channels.size(); ++c) {
    if (rules.channels[c].rule == rule) channels.push_back(static_cast<int>(c));
  }
  return channels;
}

std::vector<FilterGroup> filter_groups(const Part& part,
                                       const PictureMaps& maps,
                                       const PartRules& rules) {
  std::vector<FilterGroup> groups{{maps.main, {}}, {maps.red, {}}, {maps.blue, {}}};
  for (const int c : channels_with(rules, ChannelRule::kFilter)) {
    const std::string_view leaf =
        detail::layer_and_leaf(part.channels[static_cast<std::size_t>(c)].name).leaf;
    const std::size_t group = maps.red != nullptr && leaf == "R"    ? 1
                              : maps.blue != nullptr && leaf == "B" ? 2
                                                                    : 0;
    groups[group].channels.push_back(c);
  }
  std::erase_if(groups, [](const FilterGroup& group) { return group.channels.empty(); });
  return groups;
}

std::vector<AlphaLayer> alpha_layers(const Part& part, const PartRules& rules) {
  const std::vector<int> filtered = channels_with(rules, ChannelRule::kFilter);
  const auto name_of = [&](int c) {
    return detail::layer_and_leaf(part.channels[static_cast<std::size_t>(c)].name);
  };
  std::vector<AlphaLayer> layers;
  for (const int alpha : filtered) {
    if (name_of(alpha).leaf != "A") continue;
    AlphaLayer layer{alpha, {}};
    for (const int c : filtered) {
      if (c != alpha && name_of(c).layer == name_of(alpha).layer) layer.colours.push_back(c);
    }
    layers.push_back(std::move(layer));
  }
  return layers;
}

/// The channels of each surface: those of one layer together.
std::vector<std::vector<int>> surfaces_of(const Part& part, const PartRules& rules) {
  std::map<std::string_view, std::vector<int>> by_layer;
  for (const int c : channels_with(rules, ChannelRule::kSurface)) {
    by_layer[detail::layer_and_leaf(part.channels[static_cast<std::size_t>(c)].name).layer]
        .push_back(c);
  }
  std::vector<std::vector<int>> surfaces;
  for (auto& [layer, channels] : by_layer) surfaces.push_back(std::move(channels));
  return surfaces;
}

/// Channels of `from` to `to`, pixel by pixel: number `from_channels[i]` becomes `to_channels[i]`.
void copy_channels(ImageView<const float> from,
                   std::span<const int> from_channels,
                   ImageView<float> to,
                   std::span<const int> to_channels,
                   int threads) {
  parallel_rows(from.height, threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      const float* source = from.row(y);
      float* target = to.row(y);
      for (int x = 0; x < from.width; ++x, source += from.channels, target += to.channels) {
        for (std::size_t i = 0; i < from_channels.size(); ++i) {
          target[to_channels[i]] = source[from_channels[i]];
        }
      }
    }
  });
}

std::vector<int> numbers_up_to(std::size_t count) {
  std::vector<int> numbers(count);
  for (std::size_t i = 0; i < count; ++i) numbers[i] = static_cast<int>(i);
  return numbers;
}

/// Channels packed at a time: the kernels are fastest with four, and the copies stay small.
constexpr std::size_t kPacked = 4;

/// Filters some channels. They are packed first: the kernels are made for pixels without gaps, and
/// the bits of integers between them would be read as numbers that slow a processor down.
Result<void> filter_some(const SourcePicture& source,
                         const FilterGroup& group,
                         const ResampleOptions& options,
                         ImageView<float> output) {
  for (std::size_t begin = 0; begin < group.channels.size(); begin += kPacked) {
    const std::span<const int> channels =
        std::span(group.channels).subspan(begin, std::min(kPacked, group.channels.size() - begin));
    const std::vector<int> packed_channels = numbers_up_to(channels.size());
    Image<float> packed(
        source.pixels.width, source.pixels.height, static_cast<int>(channels.size()));
    copy_channels(source.pixels, channels, packed.view(), packed_channels, options.threads);
    const Result<Image<float>> filtered =
        resample({.pixels = packed.view(), .windows = source.windows}, *group.map, options);
    if (!filtered) return fail(filtered.error());
    copy_channels(filtered->view(), packed_channels, output, channels, options.threads);
  }
  return {};
}

/// Calls change(colour, alpha) for the colours of every pixel.
template <class Change>
void for_colours(Image<float>& pixels,
                 const std::vector<AlphaLayer>& layers,
                 int threads,
                 const Change& change) {
  parallel_rows(pixels.height(), threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      float* pixel = pixels.row(y);
      for (int x = 0; x < pixels.width(); ++x, pixel += pixels.channels()) {
        for (const AlphaLayer& layer : layers) {
          for (const int c : layer.colours) pixel[c] = change(pixel[c], pixel[layer.alpha]);
        }
      }
    }
  });
}

/// Takes back what rounding alone put on or off alphas, row by row, and keeps which of them the
/// filter has taken further beyond 0..1. Safe from any thread, for different rows.
class AlphaRounding {
 public:
  explicit AlphaRounding(std::span<const AlphaLayer> layers)
      : layers_(layers), beyond_(layers.size()) {}

  void take_back(ImageView<float> output, int row) {
    for (std::size_t i = 0; i < layers_.size(); ++i) {
      bool beyond = false;
      float* value = output.row(row) + layers_[i].alpha;
      for (int x = 0; x < output.width; ++x, value += output.channels) {
        if (*value >= 0.0F && *value <= 1.0F) continue;
        if (*value < -detail::kAlphaRounding || *value > 1.0F + detail::kAlphaRounding) {
          beyond = true;
        } else {
          *value = std::clamp(*value, 0.0F, 1.0F);  // NaN stays
        }
      }
      if (beyond) beyond_[i].store(true, std::memory_order_relaxed);
    }
  }
  [[nodiscard]] bool empty() const { return layers_.empty(); }
  [[nodiscard]] bool is_beyond(std::size_t layer) const { return beyond_[layer].load(); }

 private:
  std::span<const AlphaLayer> layers_;
  std::vector<std::atomic<bool>> beyond_;
};

/// Filters all groups into `output`, with alphas rounded.
Result<void> filter_all(const SourcePicture& source,
                        std::span<const FilterGroup> groups,
                        const ResampleOptions& options,
                        AlphaRounding& rounding,
                        ImageView<float> output) {
  const auto take_back = [&](int row) { rounding.take_back(output, row); };
  if (groups.size() == 1 &&
      static_cast<int>(groups.front().channels.size()) == source.pixels.channels) {
    return resample(source, *groups.front().map, options, output, take_back);
  }
  for (const FilterGroup& group : groups) {
    Result<void> done = filter_some(source, group, options, output);
    if (!done) return done;
  }
  if (rounding.empty()) return {};
  parallel_rows(output.height, options.threads, [&](int begin, int end) {
    for (int row = begin; row < end; ++row) take_back(row);
  });
  return {};
}

/// What the filter did too much of: beside highlights, and around alpha.
Result<void> limit(const SourcePicture& source,
                   const std::vector<FilterGroup>& groups,
                   const std::vector<AlphaLayer>& layers,
                   const AlphaRounding& rounding,
                   const PassSettings& settings,
                   const ResampleOptions& options,
                   ImageView<float> output) {
  if (settings.filter == Filter::kBilinear) return {};  // has no negative lobes
  const auto map_of = [&](int channel) {
    for (const FilterGroup& group : groups) {
      if (std::find(group.channels.begin(), group.channels.end(), channel) !=
          group.channels.end()) {
        return group.map;
      }
    }
    return groups.front().map;
  };
  for (std::size_t i = 0; i < layers.size(); ++i) {
    if (!rounding.is_beyond(i)) continue;
    const auto hold = [&](const StMap& map, bool is_of_alpha) -> Result<void> {
      std::vector<int> channels;
      for (const int c : layers[i].colours) {
        if (map_of(c) == &map) channels.push_back(c);
      }
      if (is_of_alpha) channels.push_back(layers[i].alpha);
      return limit_with_alpha(source, map, layers[i].alpha, channels, options, output);
    };
    // Alpha's own map last: alpha tells where the colours are to be held.
    const StMap* alpha_map = map_of(layers[i].alpha);
    for (const FilterGroup& group : groups) {
      if (group.map == alpha_map) continue;
      if (Result<void> done = hold(*group.map, false); !done) return done;
    }
    if (Result<void> done = hold(*alpha_map, true); !done) return done;
  }
  if (settings.ringing == Ringing::kAllow) return {};
  for (const FilterGroup& group : groups) {
    Result<void> done = limit_highlights(source, *group.map, group.channels, options, output);
    if (!done) return done;
  }
  return {};
}

}  // namespace

std::string_view to_text(Ringing ringing) { return ringing == Ringing::kAllow ? "allow" : "limit"; }

Result<Ringing> parse_ringing(std::string_view text) {
  for (const Ringing ringing : {Ringing::kAllow, Ringing::kLimit}) {
    if (to_text(ringing) == trim(text)) return ringing;
  }
  return fail(ErrorCode::kInvalidInput, fmt::format("ringing '{}': wanted allow or limit", text));
}

Result<void> warp_part(Part& part,
                       const PictureMaps& maps,
                       const PartRules& rules,
                       const PassSettings& settings,
                       int threads) {
  const std::vector<FilterGroup> groups = filter_groups(part, maps, rules);
  const std::vector<AlphaLayer> layers = alpha_layers(part, rules);
  const bool multiply =
      settings.premultiplied == Premultiplied::kNot || part.alpha == footage::Alpha::kUnassociated;
  if (multiply) {
    for_colours(part.pixels, layers, threads, [](float c, float alpha) { return c * alpha; });
  }
  const StMap& map = *maps.main;
  const SourcePicture source{.pixels = part.pixels.view(), .windows = part.windows};
  const ResampleOptions how{.filter = settings.filter, .edge = settings.edge, .threads = threads};
  const PassOptions pass{.edge = settings.edge, .threads = threads};
  Image<float> output(map.output.data.width, map.output.data.height, part.pixels.channels());
  AlphaRounding rounding(layers);
  Result<void> done = filter_all(source, groups, how, rounding, output.view());
  if (!done) return done;
  done = limit(source, groups, layers, rounding, settings, how, output.view());
  if (!done) return done;
  const std::vector<int> numbers = channels_with(rules, ChannelRule::kNearest);
  if (!numbers.empty()) done = look_up_nearest(source, map, numbers, pass, output.view());
  if (!done) return done;
  for (const std::vector<int>& data : surfaces_of(part, rules)) {
    done = look_up_surface(source, map, data, pass, output.view());
    if (!done) return done;
  }
  if (!rules.motion.empty()) {
    done = look_up_motion(source, map, rules.motion, settings.motion_y, pass, output.view());
    if (!done) return done;
  }
  if (multiply) {
    for_colours(output, layers, threads, [](float c, float alpha) {
      return alpha > 0.0F ? c / alpha : 0.0F;
    });
  }
  part.pixels = std::move(output);
  part.windows = map.output;
  return {};
}

}  // namespace trueplate::warp
