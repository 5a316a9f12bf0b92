#include "warp/io/detail/part_warp.h"

#include <algorithm>
#include <atomic>
#include <map>
#include <span>
#include <string_view>
#include <utility>

#include "calib/base/parallel.h"
#include "warp/detail/alpha_rows.h"
#include "warp/io/detail/channel_words.h"

namespace trueplate::warp::detail {
namespace {

using footage::Part;

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
  std::vector<FilterGroup> groups(3);
  groups[0].map = maps.main;
  groups[1].map = maps.red;
  groups[2].map = maps.blue;
  for (const int c : channels_with(rules, ChannelRule::kFilter)) {
    const std::string_view leaf =
        layer_and_leaf(part.channels[static_cast<std::size_t>(c)].name).leaf;
    const std::size_t group = maps.red != nullptr && leaf == "R"    ? 1
                              : maps.blue != nullptr && leaf == "B" ? 2
                                                                    : 0;
    groups[group].channels.push_back(c);
  }
  std::erase_if(groups, [](const FilterGroup& group) { return group.channels.empty(); });
  return groups;
}

/// The layers that have an alpha. Layers without one, such as the lights of a beauty, go with that
/// of the plain channels, or with the only one there is: what adds up to a picture has to be
/// filtered like it.
std::vector<AlphaLayer> alpha_layers(const Part& part, const PartRules& rules) {
  const std::vector<int> filtered = channels_with(rules, ChannelRule::kFilter);
  const auto name_of = [&](int c) {
    return layer_and_leaf(part.channels[static_cast<std::size_t>(c)].name);
  };
  std::vector<AlphaLayer> layers;
  for (const int c : filtered) {
    if (name_of(c).leaf == "A") layers.push_back({c, {}});
  }
  const auto find_layer = [&](std::string_view name) {
    return std::find_if(layers.begin(), layers.end(), [&](const AlphaLayer& layer) {
      return name_of(layer.alpha).layer == name;
    });
  };
  const auto common = layers.size() == 1 ? layers.begin() : find_layer("");
  for (const int c : filtered) {
    if (name_of(c).leaf == "A") continue;
    const auto own = find_layer(name_of(c).layer);
    const auto layer = own != layers.end() ? own : common;
    if (layer != layers.end()) layer->colours.push_back(c);
  }
  return layers;
}

/// The channels of each surface: those of one layer together.
std::vector<std::vector<int>> surfaces_of(const Part& part, const PartRules& rules) {
  std::map<std::string_view, std::vector<int>> by_layer;
  for (const int c : channels_with(rules, ChannelRule::kSurface)) {
    by_layer[layer_and_leaf(part.channels[static_cast<std::size_t>(c)].name).layer].push_back(c);
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

/// Packs channels of a picture. The kernels are made for pixels without gaps, and the bits of
/// integers between them would be read as numbers that slow a processor down.
void pack(ImageView<const float> pixels, FilterGroup& group, int threads) {
  const std::span<const int> channels = group.channels;
  for (std::size_t begin = 0; begin < channels.size(); begin += kPacked) {
    const auto some = channels.subspan(begin, std::min(kPacked, channels.size() - begin));
    Image<float> packed(pixels.width, pixels.height, static_cast<int>(some.size()));
    copy_channels(pixels, some, packed.view(), numbers_up_to(some.size()), threads);
    group.packed.push_back(std::move(packed));
  }
}

/// Filters the channels of a group that have been packed.
Result<void> filter_packed(const FrameWindows& windows,
                           const FilterGroup& group,
                           const ResampleOptions& options,
                           ImageView<float> output) {
  std::span<const int> channels = group.channels;
  for (const Image<float>& packed : group.packed) {
    Image<float> filtered(output.width, output.height, packed.channels());
    const SourcePicture source{.pixels = packed.view(), .windows = windows};
    Result<void> done = resample(source, *group.map, options, filtered.view());
    if (!done) return done;
    const auto some = channels.first(static_cast<std::size_t>(packed.channels()));
    copy_channels(filtered.view(), numbers_up_to(some.size()), output, some, options.threads);
    channels = channels.subspan(some.size());
  }
  return {};
}

/// Calls change(colour, alpha) for the colours of every pixel.
template <class Change>
void for_colours(ImageView<float> pixels,
                 const std::vector<AlphaLayer>& layers,
                 int threads,
                 const Change& change) {
  parallel_rows(pixels.height, threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      float* pixel = pixels.row(y);
      for (int x = 0; x < pixels.width; ++x, pixel += pixels.channels) {
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
      const bool beyond = take_back_alpha_rounding(
          output.row(row), output.width, output.channels, layers_[i].alpha);
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
  if (groups.size() == 1 && groups.front().packed.empty()) {
    return resample(source, *groups.front().map, options, output, take_back);
  }
  for (const FilterGroup& group : groups) {
    Result<void> done = filter_packed(source.windows, group, options, output);
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
        return group.map.get();
      }
    }
    return groups.front().map.get();
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
      if (group.map.get() == alpha_map) continue;
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

PartWarp::PartWarp(
    Part part, const PictureMaps& maps, PartRules rules, const PassSettings& settings, int threads)
    : pixels_(std::move(part.pixels)),
      windows_(part.windows),
      maps_(maps),
      settings_(settings),
      groups_(filter_groups(part, maps, rules)),
      layers_(alpha_layers(part, rules)),
      numbers_(channels_with(rules, ChannelRule::kNearest)),
      surfaces_(surfaces_of(part, rules)),
      motion_(std::move(rules.motion)),
      is_multiplied_here_(settings.premultiplied == Premultiplied::kNot ||
                          part.alpha == footage::Alpha::kUnassociated) {
  if (is_multiplied_here_) {
    for_colours(pixels_.view(), layers_, threads, [](float c, float alpha) { return c * alpha; });
  }
  const bool is_one_group =
      groups_.size() == 1 && groups_.front().channels.size() == part.channels.size();
  if (is_one_group) return;
  for (FilterGroup& group : groups_) pack(pixels_.view(), group, threads);
}

Result<void> PartWarp::rows(int first_row, ImageView<float> output, int threads) const {
  if (output.channels == pixels_.channels()) return all_channels(first_row, output, threads);
  Image<float> all(output.width, output.height, pixels_.channels());
  Result<void> done = all_channels(first_row, all.view(), threads);
  if (!done) return done;
  const std::vector<int> channels = numbers_up_to(static_cast<std::size_t>(output.channels));
  copy_channels(all.view(), channels, output, channels, threads);
  return done;
}

Result<void> PartWarp::all_channels(int first_row, ImageView<float> output, int threads) const {
  const SourcePicture source{.pixels = pixels_.view(), .windows = windows_};
  const ResampleOptions how{.filter = settings_.filter,
                            .edge = settings_.edge,
                            .first_row = first_row,
                            .threads = threads};
  const PassOptions pass{.edge = settings_.edge,
                         .first_row = first_row,
                         .threads = threads,
                         .output_place = maps_.output_place};
  AlphaRounding rounding(layers_);
  Result<void> done = filter_all(source, groups_, how, rounding, output);
  if (!done) return done;
  done = limit(source, groups_, layers_, rounding, settings_, how, output);
  if (!done) return done;
  done = look_up_data(source, pass, output);
  if (!done) return done;
  if (is_multiplied_here_) {
    for_colours(output, layers_, threads, [](float c, float alpha) {
      return alpha > 0.0F ? c / alpha : 0.0F;
    });
  }
  return {};
}

Result<void> PartWarp::look_up_data(const SourcePicture& source,
                                    const PassOptions& pass,
                                    ImageView<float> output) const {
  Result<void> done;
  if (!numbers_.empty()) done = look_up_nearest(source, *maps_.main, numbers_, pass, output);
  if (!done) return done;
  for (const std::vector<int>& data : surfaces_) {
    done = look_up_surface(source, *maps_.main, data, pass, output);
    if (!done) return done;
  }
  if (motion_.empty()) return {};
  return look_up_motion(source, *maps_.main, motion_, settings_.motion_y, pass, output);
}

}  // namespace trueplate::warp::detail
