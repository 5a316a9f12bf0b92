#include "calib/footage/detail/exr_lines.h"

#include <OpenEXR/ImfChannelList.h>

#include <algorithm>
#include <bit>
#include <cstdint>

namespace trueplate::footage::detail {
namespace {

std::size_t sample_size(const Channel& channel) {
  return channel.format == SampleFormat::kHalf ? sizeof(std::uint16_t) : sizeof(float);
}

}  // namespace

bool ExrLine::is_for(const Imf::Header& header, std::span<const Channel> channels) {
  return std::endian::native == std::endian::little &&
         header.compression() == Imf::NO_COMPRESSION && !header.hasTileDescription() &&
         std::all_of(channels.begin(), channels.end(), [&](const Channel& channel) {
           return sample_size(channel) == sample_size(channels.front());
         });
}

ExrLine::ExrLine(const Imf::Header& header, std::span<const Channel> channels, int width) {
  const std::size_t plane_size = static_cast<std::size_t>(width) * sample_size(channels.front());
  num_bytes_ = plane_size * channels.size();
  for (const Channel& channel : channels) {
    std::size_t begin = 0;
    const Imf::ChannelList& list = header.channels();
    for (auto entry = list.begin(); channel.name != entry.name(); ++entry) begin += plane_size;
    planes_.push_back({begin, channel.format == SampleFormat::kHalf});
  }
}

void ExrLine::planes_at(char* bytes, std::span<PlaneRow> planes) const {
  for (std::size_t c = 0; c < planes_.size(); ++c) {
    planes[c] = {bytes + planes_[c].begin, planes_[c].is_half};
  }
}

}  // namespace trueplate::footage::detail
