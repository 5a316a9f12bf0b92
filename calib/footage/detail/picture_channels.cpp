#include "calib/footage/detail/picture_channels.h"

#include <string>

namespace trueplate::footage::detail {
namespace {

int find_channel(std::span<const Channel> channels, const std::string& name) {
  for (std::size_t c = 0; c < channels.size(); ++c) {
    const bool is_number = channels[c].format == SampleFormat::kUint32;
    if (!is_number && channels[c].name == name) return static_cast<int>(c);
  }
  return -1;
}

std::optional<PictureChannels> find_rgb(std::span<const Channel> channels,
                                        const std::string& layer) {
  const PictureChannels found = {{find_channel(channels, layer + "R"),
                                  find_channel(channels, layer + "G"),
                                  find_channel(channels, layer + "B")},
                                 find_channel(channels, layer + "A")};
  if (found.rgb[0] < 0 || found.rgb[1] < 0 || found.rgb[2] < 0) return std::nullopt;
  return found;
}

}  // namespace

std::optional<PictureChannels> picture_channels(std::span<const Channel> channels) {
  if (const std::optional<PictureChannels> rgb = find_rgb(channels, "")) return rgb;
  if (const int y = find_channel(channels, "Y"); y >= 0) {
    return PictureChannels{{y, y, y}, find_channel(channels, "A")};
  }
  for (const Channel& channel : channels) {
    if (!channel.name.ends_with(".R")) continue;
    const std::string layer = channel.name.substr(0, channel.name.size() - 1);
    if (const std::optional<PictureChannels> rgb = find_rgb(channels, layer)) return rgb;
  }
  if (channels.size() == 1 && channels[0].format != SampleFormat::kUint32) return PictureChannels{};
  return std::nullopt;
}

}  // namespace trueplate::footage::detail
