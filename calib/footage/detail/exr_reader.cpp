#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfInputPart.h>
#include <OpenEXR/ImfMultiPartInputFile.h>
#include <OpenEXR/ImfPartType.h>
#include <OpenEXR/ImfTileDescription.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <tuple>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/footage/detail/metadata.h"
#include "calib/footage/detail/readers.h"

namespace trueplate::footage::detail {
namespace {

struct Extents {
  long long width = 0;
  long long height = 0;
};

Extents extents_of(const Imath::Box2i& box) {
  return {static_cast<long long>(box.max.x) - box.min.x + 1,
          static_cast<long long>(box.max.y) - box.min.y + 1};
}

Window window_of(const Imath::Box2i& box) {
  const Extents size = extents_of(box);
  return {box.min.x, box.min.y, static_cast<int>(size.width), static_cast<int>(size.height)};
}

/// The file sorts channels by name; people expect R, G, B, A (or Y, A), layer by layer, the
/// nameless first.
void sort_for_people(std::vector<Channel>& channels) {
  const auto key = [](const Channel& channel) {
    static constexpr std::array<std::string_view, 5> kOrder = {"R", "G", "B", "Y", "A"};
    const std::size_t dot = channel.name.rfind('.');
    const bool in_layer = dot != std::string::npos;
    const std::string layer = in_layer ? channel.name.substr(0, dot) : std::string();
    const std::string leaf = in_layer ? channel.name.substr(dot + 1) : channel.name;
    const auto place = std::find(kOrder.begin(), kOrder.end(), leaf) - kOrder.begin();
    return std::make_tuple(layer, place, leaf);
  };
  std::sort(channels.begin(), channels.end(), [&](const Channel& a, const Channel& b) {
    return key(a) < key(b);
  });
}

Result<std::vector<Channel>> channels_of(const std::filesystem::path& path,
                                         const Imf::ChannelList& list) {
  std::vector<Channel> channels;
  for (auto entry = list.begin(); entry != list.end(); ++entry) {
    const Imf::Channel& channel = entry.channel();
    if (channel.xSampling != 1 || channel.ySampling != 1) {
      return fail(ErrorCode::kUnsupported,
                  fmt::format("{}: channel {} is sub-sampled {}x{}; write it at full resolution",
                              path.string(),
                              entry.name(),
                              channel.xSampling,
                              channel.ySampling));
    }
    if (channel.type != Imf::HALF && channel.type != Imf::FLOAT) {
      return fail(ErrorCode::kUnsupported,
                  fmt::format("{}: channel {} holds unsigned integers; only half and float "
                              "channels are read: write it as float, or to a file of its own",
                              path.string(),
                              entry.name()));
    }
    channels.push_back(
        {entry.name(), channel.type == Imf::HALF ? SampleFormat::kHalf : SampleFormat::kFloat});
  }
  sort_for_people(channels);
  return channels;
}

/// A row of tiles is held at full height by the library while it is read.
Result<void> check_tiles(const std::filesystem::path& path,
                         const Imf::Header& header,
                         std::size_t num_channels,
                         const ReadOptions& options) {
  if (!header.hasTileDescription()) return {};
  const Imf::TileDescription& tiles = header.tileDescription();
  if (tiles.xSize > kMaxImageSide || tiles.ySize > kMaxImageSide) {
    return damaged(path, fmt::format("tiles of {}x{} pixels", tiles.xSize, tiles.ySize));
  }
  const double row_width = static_cast<double>(extents_of(header.dataWindow()).width) + tiles.xSize;
  const double bytes = row_width * tiles.ySize * static_cast<double>(num_channels) * sizeof(float);
  if (bytes > static_cast<double>(options.max_bytes)) {
    return damaged(path,
                   fmt::format("one row of {}x{} tiles would need {:.1f} GiB",
                               tiles.xSize,
                               tiles.ySize,
                               bytes / 0x1p30));
  }
  return {};
}

}  // namespace

Result<Frame> read_exr(const std::filesystem::path& path,
                       const ReadOptions& options,
                       Extent extent) {
  // Without reconstructing the table of offsets: a file that needs it was cut short.
  Imf::MultiPartInputFile file(path.c_str(), resolve_threads(options.threads), false);
  const Imf::Header& header = file.header(0);
  if (header.hasType() && Imf::isDeepData(header.type())) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: deep data; flatten it first", path.string()));
  }
  Result<std::vector<Channel>> channels = channels_of(path, header.channels());
  if (!channels) return fail(channels.error());
  const std::size_t num_channels = channels->size();
  const auto count = static_cast<long long>(num_channels);
  const Extents display = extents_of(header.displayWindow());
  const Extents data = extents_of(header.dataWindow());
  constexpr std::size_t kAnySize = ~std::size_t{0};
  for (const Result<void>& check :
       {check_size(path, display.width, display.height, count, kAnySize),
        check_size(path, data.width, data.height, count, options.max_bytes),
        check_tiles(path, header, num_channels, options)}) {
    if (!check) return fail(check.error());
  }
  if (!file.partComplete(0)) return damaged(path, "some of its pixels were never written");

  Frame frame;
  frame.windows = {window_of(header.displayWindow()), window_of(header.dataWindow())};
  frame.pixel_aspect = header.pixelAspectRatio();
  frame.channels = *std::move(channels);
  frame.alpha = header.channels().findChannel("A") != nullptr ? Alpha::kAssociated : Alpha::kNone;
  frame.metadata = std::make_shared<const Metadata>(Metadata{FileKind::kExr, header});
  if (file.parts() > 1) {
    frame.warnings.push_back(
        {"further-parts",
         fmt::format(
             "only the first of {} parts was read; {} left out", file.parts(), file.parts() - 1),
         static_cast<double>(file.parts() - 1)});
  }
  if (extent == Extent::kHeader) return frame;

  frame.pixels = Image<float>(
      frame.windows.data.width, frame.windows.data.height, static_cast<int>(num_channels));
  const std::size_t pixel_stride = num_channels * sizeof(float);
  const std::size_t row_stride = pixel_stride * static_cast<std::size_t>(frame.pixels.width());
  Imf::FrameBuffer frame_buffer;
  for (std::size_t c = 0; c < num_channels; ++c) {
    frame_buffer.insert(
        frame.channels[c].name,
        Imf::Slice::Make(
            Imf::FLOAT, frame.pixels.data() + c, header.dataWindow(), pixel_stride, row_stride));
  }
  Imf::InputPart part(file, 0);
  part.setFrameBuffer(frame_buffer);
  part.readPixels(header.dataWindow().min.y, header.dataWindow().max.y);
  return frame;
}

}  // namespace trueplate::footage::detail
