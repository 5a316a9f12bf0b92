#include "warp/io/detail/exr_writer.h"

#include <Imath/half.h>
#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfMultiPartOutputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfOutputPart.h>
#include <OpenEXR/ImfPartType.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <fmt/format.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstdint>
#include <limits>
#include <stdexcept>
#include <vector>

#include "calib/base/parallel.h"
#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/checked_file.h"

namespace trueplate::warp::detail {
namespace {

using footage::Channel;
using footage::SampleFormat;

/// Rows converted to half at a time: enough blocks for the encoder's threads, little memory. A
/// multiple of the block height of every compression (256 for dwab).
constexpr int kRowsAtATime = 256;

class ExrStream : public Imf::OStream {
 public:
  ExrStream(CheckedFile& file, const std::string& name) : Imf::OStream(name.c_str()), file_(file) {}
  void write(const char* bytes, int count) override {
    if (!file_.write(bytes, static_cast<std::size_t>(count))) throw std::runtime_error("write");
  }
  std::uint64_t tellp() override { return file_.position(); }
  void seekp(std::uint64_t position) override {
    if (!file_.seek(position)) throw std::runtime_error("seek");
  }

 private:
  CheckedFile& file_;
};

Imath::Box2i box_of(const Window& window) {
  return {{window.x, window.y}, {window.x + window.width - 1, window.y + window.height - 1}};
}

Imf::PixelType type_of(SampleFormat format) {
  return format == SampleFormat::kFloat    ? Imf::FLOAT
         : format == SampleFormat::kUint32 ? Imf::UINT
                                           : Imf::HALF;
}

Imf::ChannelList channel_list(const Imf::ChannelList& before, std::span<const Channel> channels) {
  Imf::ChannelList list;
  for (const Channel& channel : channels) {
    const Imf::Channel* known = before.findChannel(channel.name);
    list.insert(channel.name,
                Imf::Channel(type_of(channel.format), 1, 1, known != nullptr && known->pLinear));
  }
  return list;
}

Imf::Header header_of(const ExrPicture& picture) {
  Imf::Header header = footage::detail::without_layout(picture.header);
  header.displayWindow() = box_of(picture.windows.display);
  header.dataWindow() = box_of(picture.windows.data);
  header.pixelAspectRatio() = static_cast<float>(picture.pixel_aspect);
  header.lineOrder() = Imf::INCREASING_Y;
  header.channels() = channel_list(Imf::ChannelList(header.channels()), picture.channels);
  if (!picture.record.empty()) {
    header.insert(footage::detail::kRecordName, Imf::StringAttribute(picture.record));
  }
  return header;
}

/// Half channels are converted plane by plane; the others are written from where they are.
class RowFeeder {
 public:
  RowFeeder(const ExrPicture& picture, int threads) : picture_(picture), threads_(threads) {
    const auto num_half = static_cast<std::size_t>(
        std::count_if(picture.channels.begin(), picture.channels.end(), is_half));
    plane_size_ = static_cast<std::size_t>(picture.pixels.width) *
                  static_cast<std::size_t>(std::min(kRowsAtATime, picture.pixels.height));
    halves_.resize(num_half * plane_size_);
  }

  /// The rows begin .. end of the picture; valid until the next call.
  Imf::FrameBuffer rows(int begin, int end) {
    convert(begin, end);
    const Window& data = picture_.windows.data;
    const Imath::Box2i box = box_of({data.x, data.y + begin, data.width, end - begin});
    const auto width = static_cast<std::size_t>(data.width);
    const auto num_channels = static_cast<std::size_t>(picture_.pixels.channels);
    Imf::FrameBuffer buffer;
    std::size_t plane = 0;
    for (std::size_t c = 0; c < num_channels; ++c) {
      const Channel& channel = picture_.channels[c];
      if (is_half(channel)) {
        buffer.insert(channel.name,
                      Imf::Slice::Make(Imf::HALF,
                                       halves_.data() + plane_size_ * plane++,
                                       box,
                                       sizeof(half),
                                       width * sizeof(half)));
      } else {
        buffer.insert(
            channel.name,
            Imf::Slice::Make(type_of(channel.format),
                             picture_.pixels.row(begin) + c,
                             box,
                             num_channels * sizeof(float),
                             static_cast<std::size_t>(picture_.pixels.row_stride) * sizeof(float)));
      }
    }
    return buffer;
  }

  [[nodiscard]] std::int64_t num_clipped() const { return num_clipped_.load(); }

 private:
  static half to_half(float value, std::int64_t& clipped) {
    // From here on a half would round to infinity.
    constexpr float kOverflow = 65520.0F;
    const float size = std::abs(value);
    if (size >= kOverflow && size < std::numeric_limits<float>::infinity()) {
      ++clipped;
      value = std::copysign(65504.0F, value);
    }
    return half(value);
  }
  static bool is_half(const Channel& channel) { return channel.format == SampleFormat::kHalf; }

  void convert(int begin, int end) {
    const auto width = static_cast<std::size_t>(picture_.pixels.width);
    const auto num_channels = static_cast<std::size_t>(picture_.pixels.channels);
    const auto convert_rows = [&](int first, int last) {
      std::int64_t clipped = 0;
      for (int y = first; y < last; ++y) {
        const float* from = picture_.pixels.row(begin + y);
        std::size_t plane = 0;
        for (std::size_t c = 0; c < num_channels; ++c) {
          if (!is_half(picture_.channels[c])) continue;
          half* to = halves_.data() + plane_size_ * plane++ + static_cast<std::size_t>(y) * width;
          for (std::size_t x = 0; x < width; ++x)
            to[x] = to_half(from[x * num_channels + c], clipped);
        }
      }
      if (clipped > 0) num_clipped_.fetch_add(clipped);
    };
    parallel_rows(end - begin, threads_, convert_rows, 16);
  }

  const ExrPicture& picture_;
  int threads_;
  std::size_t plane_size_ = 0;
  std::vector<half> halves_;
  std::atomic<std::int64_t> num_clipped_{0};
};

/// Writes the rows of one picture to a file or to a part of one, and returns how many samples were
/// clipped.
template <class Output>
std::int64_t write_rows(Output& output,
                        const CheckedFile& file,
                        const ExrPicture& picture,
                        int threads) {
  RowFeeder feeder(picture, threads);
  const int height = picture.pixels.height;
  for (int begin = 0; begin < height && !file.failed(); begin += kRowsAtATime) {
    const int end = std::min(height, begin + kRowsAtATime);
    output.setFrameBuffer(feeder.rows(begin, end));
    output.writePixels(end - begin);
  }
  return feeder.num_clipped();
}

std::int64_t write_parts(ExrStream& stream,
                         const CheckedFile& file,
                         std::span<const ExrPicture> parts,
                         int threads) {
  std::vector<Imf::Header> headers;
  for (const ExrPicture& part : parts) {
    headers.push_back(header_of(part));
    headers.back().setName(part.name);
    headers.back().setType(Imf::SCANLINEIMAGE);
  }
  // What all parts have to agree in (windows, time code, colours) is the first one's.
  constexpr bool kSharedFromFirst = true;
  const int count = static_cast<int>(parts.size());
  Imf::MultiPartOutputFile output(
      stream, headers.data(), count, kSharedFromFirst, resolve_threads(threads));
  std::int64_t num_clipped = 0;
  for (int i = 0; i < count; ++i) {
    Imf::OutputPart part(output, i);
    num_clipped += write_rows(part, file, parts[static_cast<std::size_t>(i)], threads);
  }
  return num_clipped;
}

}  // namespace

Result<std::int64_t> write_exr(const std::filesystem::path& temporary_path,
                               const std::filesystem::path& shown_path,
                               std::span<const ExrPicture> parts,
                               int threads) {
  CheckedFile file(temporary_path);
  std::string reason;
  std::int64_t num_clipped = 0;
  try {
    ExrStream stream(file, shown_path.string());
    if (parts.size() == 1) {
      Imf::OutputFile output(stream, header_of(parts.front()), resolve_threads(threads));
      num_clipped = write_rows(output, file, parts.front(), threads);
    } else {
      num_clipped = write_parts(stream, file, parts, threads);
    }
  } catch (const std::exception& exception) {
    reason = exception.what();
  }
  if (Result<void> closed = file.close(shown_path); !closed) return fail(closed.error());
  if (!reason.empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: OpenEXR refuses the picture ({})", shown_path.string(), reason));
  }
  return num_clipped;
}

}  // namespace trueplate::warp::detail
