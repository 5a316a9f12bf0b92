#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfInputPart.h>
#include <OpenEXR/ImfMultiPartInputFile.h>
#include <OpenEXR/ImfPartType.h>
#include <OpenEXR/ImfTileDescription.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <stdexcept>
#include <tuple>
#include <utility>
#include <vector>

#include "calib/base/parallel.h"
#include "calib/footage/detail/exr_input.h"
#include "calib/footage/detail/exr_lines.h"
#include "calib/footage/detail/id_tables.h"
#include "calib/footage/detail/metadata.h"
#include "calib/footage/detail/planar_rows.h"
#include "calib/footage/detail/readers.h"
#include "calib/footage/detail/sample_rows.h"

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

SampleFormat format_of(Imf::PixelType type) {
  return type == Imf::HALF    ? SampleFormat::kHalf
         : type == Imf::FLOAT ? SampleFormat::kFloat
                              : SampleFormat::kUint32;
}

Result<std::vector<Channel>> channels_of(const std::filesystem::path& path,
                                         const Imf::Header& header) {
  const Imf::ChannelList& list = header.channels();
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
    channels.push_back({entry.name(), format_of(channel.type)});
  }
  sort_for_people(channels);
  mark_id_channels(header, channels);
  return channels;
}

/// A row of tiles is held at full height by the library while it is read.
Result<void> check_tiles(const std::filesystem::path& path,
                         const Imf::Header& header,
                         std::size_t num_channels,
                         std::size_t max_bytes) {
  if (!header.hasTileDescription()) return {};
  const Imf::TileDescription& tiles = header.tileDescription();
  if (tiles.xSize > kMaxImageSide || tiles.ySize > kMaxImageSide) {
    return damaged(path, fmt::format("tiles of {}x{} pixels", tiles.xSize, tiles.ySize));
  }
  const double row_width = static_cast<double>(extents_of(header.dataWindow()).width) + tiles.xSize;
  const double bytes = row_width * tiles.ySize * static_cast<double>(num_channels) * sizeof(float);
  if (bytes > static_cast<double>(max_bytes)) {
    return damaged(path,
                   fmt::format("one row of {}x{} tiles would need {:.1f} GiB",
                               tiles.xSize,
                               tiles.ySize,
                               bytes / 0x1p30));
  }
  return {};
}

/// All of a part but its pixels, for which at most `max_bytes` may be needed.
Result<Part> part_without_pixels(const std::filesystem::path& path,
                                 Imf::MultiPartInputFile& file,
                                 int number,
                                 std::size_t max_bytes) {
  const Imf::Header& header = file.header(number);
  const std::string name = header.hasName() ? header.name() : std::string();
  if (header.hasType() && Imf::isDeepData(header.type())) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: {}deep data; flatten it first",
                    path.string(),
                    file.parts() > 1 ? fmt::format("part {} ({}) holds ", number + 1, name) : ""));
  }
  Result<std::vector<Channel>> channels = channels_of(path, header);
  if (!channels) return fail(channels.error());
  const auto count = static_cast<long long>(channels->size());
  const Extents display = extents_of(header.displayWindow());
  const Extents data = extents_of(header.dataWindow());
  constexpr std::size_t kAnySize = ~std::size_t{0};
  for (const Result<void>& check :
       {check_size(path, display.width, display.height, count, kAnySize),
        check_size(path, data.width, data.height, count, max_bytes),
        check_tiles(path, header, channels->size(), max_bytes)}) {
    if (!check) return fail(check.error());
  }
  if (!file.partComplete(number)) return damaged(path, "some of its pixels were never written");

  Part part;
  part.name = name;
  part.windows = {window_of(header.displayWindow()), window_of(header.dataWindow())};
  part.pixel_aspect = header.pixelAspectRatio();
  part.channels = *std::move(channels);
  part.alpha = header.channels().findChannel("A") != nullptr ? Alpha::kAssociated : Alpha::kNone;
  part.metadata = std::make_shared<const Metadata>(Metadata{FileKind::kExr, header});
  return part;
}

/// The pixels of a part whose lines lie in the file as ExrLine says.
Image<float> read_lines(Imf::InputPart& input, const Part& part) {
  const Window& data = part.windows.data;
  const ExrLine layout(input.header(), part.channels, data.width);
  Image<float> pixels(data.width, data.height, static_cast<int>(part.channels.size()));
  std::vector<PlaneRow> planes(part.channels.size());
  for (int y = 0; y < data.height; ++y) {
    const char* line = nullptr;
    int line_size = 0;
    input.rawPixelData(data.y + y, line, line_size);
    if (static_cast<std::size_t>(line_size) != layout.num_bytes()) {
      throw std::runtime_error(
          fmt::format("a line of {} bytes, wanted {}", line_size, layout.num_bytes()));
    }
    layout.planes_at(const_cast<char*>(line), planes);  // only read
    merge_planes(planes, static_cast<std::size_t>(data.width), pixels.row(y));
  }
  return pixels;
}

Image<float> read_pixels(Imf::MultiPartInputFile& file, int number, const Part& part, int threads) {
  Imf::InputPart input(file, number);
  if (ExrLine::is_for(input.header(), part.channels)) return read_lines(input, part);
  const Window& data = part.windows.data;
  Image<float> pixels(data.width, data.height, static_cast<int>(part.channels.size()));
  PlanarRows rows(part.channels, data.width, data.height, threads);
  for (int begin = 0; begin < data.height; begin += rows.capacity()) {
    const Window window{
        data.x, data.y + begin, data.width, std::min(rows.capacity(), data.height - begin)};
    input.setFrameBuffer(rows.frame_buffer(window));
    input.readPixels(window.y, window.y + window.height - 1);
    ImageView<float> view = pixels.view();
    view.data = view.row(begin);
    view.height = window.height;
    rows.merge_into(view, threads);
  }
  return pixels;
}

std::size_t pixel_bytes(const Part& part) {
  return static_cast<std::size_t>(part.windows.data.width) *
         static_cast<std::size_t>(part.windows.data.height) * part.channels.size() * sizeof(float);
}

}  // namespace

Result<Frame> read_exr(const std::filesystem::path& path,
                       const ReadOptions& options,
                       Extent extent,
                       ContentDigest* digest) {
  // Without reconstructing the table of offsets: a file that needs it was cut short.
  ExrInput stream(path, extent == Extent::kWhole ? digest : nullptr);
  Imf::MultiPartInputFile file(stream, resolve_threads(options.threads), false);
  const int num_parts = options.parts == Parts::kAll ? file.parts() : 1;
  Frame frame;
  std::size_t bytes_left = options.max_bytes;
  for (int number = 0; number < num_parts; ++number) {
    Result<Part> part = part_without_pixels(path, file, number, bytes_left);
    if (!part) return fail(part.error());
    bytes_left -= pixel_bytes(*part);
    if (number == 0) {
      static_cast<Part&>(frame) = *std::move(part);
    } else {
      frame.further_parts.push_back(*std::move(part));
    }
  }
  if (file.parts() > num_parts) {
    const int left_out = file.parts() - num_parts;
    frame.warnings.push_back(
        {"further-parts",
         fmt::format("only the first of {} parts was read; {} left out", file.parts(), left_out),
         static_cast<double>(left_out)});
  }
  if (extent == Extent::kHeader) return frame;
  for (int number = 0; number < num_parts; ++number) {
    Part& part = frame.part(static_cast<std::size_t>(number));
    part.pixels = read_pixels(file, number, part, options.threads);
  }
  stream.finish_digest();
  return frame;
}

}  // namespace trueplate::footage::detail
