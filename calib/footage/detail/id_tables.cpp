#include "calib/footage/detail/id_tables.h"

#include <OpenEXR/ImfIDManifest.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>

#include <algorithm>
#include <exception>
#include <set>
#include <string>
#include <string_view>

namespace trueplate::footage::detail {
namespace {

std::set<std::string> channels_of_manifest(const Imf::Header& header) {
  if (!Imf::hasIDManifest(header)) return {};
  const Imf::CompressedIDManifest& compressed = Imf::idManifest(header);
  if (compressed._uncompressedDataSize > kMaxTableBytes) return {};
  std::set<std::string> channels;
  try {
    const Imf::IDManifest manifest(compressed);
    for (std::size_t i = 0; i < manifest.size(); ++i) {
      channels.insert(manifest[i].getChannels().begin(), manifest[i].getChannels().end());
    }
  } catch (const std::exception&) {
    return {};  // damaged; the picture is none the worse
  }
  return channels;
}

bool has_manifest(const Imf::Header& header, std::string_view group) {
  const std::string beginning = std::string(group) + "/manif";
  for (auto i = header.begin(); i != header.end(); ++i) {
    if (std::string_view(i.name()).starts_with(beginning)) return true;
  }
  return false;
}

std::vector<std::string> layers_of_groups(const Imf::Header& header) {
  constexpr std::string_view kName = "/name";
  std::vector<std::string> layers;
  for (auto i = header.begin(); i != header.end(); ++i) {
    const std::string_view attribute = i.name();
    const auto* text = dynamic_cast<const Imf::StringAttribute*>(&i.attribute());
    if (text == nullptr || text->value().empty() || !attribute.ends_with(kName)) continue;
    if (has_manifest(header, attribute.substr(0, attribute.size() - kName.size()))) {
      layers.push_back(text->value());
    }
  }
  return layers;
}

/// Whether `channel` is of the layer, or of one called so with a number after it.
bool is_of_layer(std::string_view channel, std::string_view layer) {
  if (!channel.starts_with(layer)) return false;
  channel.remove_prefix(layer.size());
  channel.remove_prefix(std::min(channel.find_first_not_of("0123456789"), channel.size()));
  return channel.empty() || channel.front() == '.';
}

}  // namespace

void mark_id_channels(const Imf::Header& header, std::vector<Channel>& channels) {
  const std::set<std::string> listed = channels_of_manifest(header);
  const std::vector<std::string> layers = layers_of_groups(header);
  for (Channel& channel : channels) {
    channel.has_id_table = listed.contains(channel.name) ||
                           std::any_of(layers.begin(), layers.end(), [&](const auto& layer) {
                             return is_of_layer(channel.name, layer);
                           });
  }
}

}  // namespace trueplate::footage::detail
