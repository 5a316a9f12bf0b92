#include "warp/io/detail/exr_writer.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfMultiPartOutputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfOutputPart.h>
#include <OpenEXR/ImfPartType.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <fmt/format.h>

#include <algorithm>
#include <cstdint>
#include <stdexcept>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/parallel.h"
#include "calib/footage/detail/exr_lines.h"
#include "calib/footage/detail/metadata.h"
#include "calib/footage/detail/planar_rows.h"
#include "warp/io/detail/checked_file.h"
#include "warp/io/detail/exr_line_writer.h"

namespace trueplate::warp::detail {
namespace {

using footage::Channel;
using footage::SampleFormat;

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

/// Writes the rows of one picture to a file or to a part of one, and returns how many samples were
/// clipped.
template <class Output>
Result<std::int64_t> write_rows(Output& output,
                                const CheckedFile& file,
                                const ExrPicture& picture,
                                int threads) {
  const Window& data = picture.windows.data;
  footage::detail::PlanarRows rows(picture.channels, data.width, data.height, threads);
  Image<float> strip(data.width, rows.capacity(), static_cast<int>(picture.channels.size()));
  std::int64_t num_clipped = 0;
  for (int begin = 0; begin < data.height && !file.failed(); begin += rows.capacity()) {
    ImageView<float> view = strip.view();
    view.height = std::min(rows.capacity(), data.height - begin);
    if (Result<void> made = picture.rows(begin, view, threads); !made) return fail(made.error());
    num_clipped += rows.split_from(view, threads);
    output.setFrameBuffer(rows.frame_buffer({data.x, data.y + begin, data.width, view.height}));
    output.writePixels(view.height);
  }
  return num_clipped;
}

Result<ExrWritten> write_part(CheckedFile& file,
                              const std::string& name,
                              const ExrPicture& picture,
                              int threads) {
  const Imf::Header header = header_of(picture);
  if (footage::detail::ExrLine::is_for(header, picture.channels)) {
    return write_lines(file, name, header, picture, threads);
  }
  ExrStream stream(file, name);
  Imf::OutputFile output(stream, header, resolve_threads(threads));
  const Result<std::int64_t> num_clipped = write_rows(output, file, picture, threads);
  if (!num_clipped) return fail(num_clipped.error());
  return ExrWritten{.num_clipped = *num_clipped};
}

Result<ExrWritten> write_parts(CheckedFile& file,
                               const std::string& name,
                               std::span<const ExrPicture> parts,
                               int threads) {
  ExrStream stream(file, name);
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
  ExrWritten written;
  for (int i = 0; i < count; ++i) {
    Imf::OutputPart part(output, i);
    const auto num_clipped = write_rows(part, file, parts[static_cast<std::size_t>(i)], threads);
    if (!num_clipped) return fail(num_clipped.error());
    written.num_clipped += *num_clipped;
  }
  return written;
}

}  // namespace

RowMaker rows_of(ImageView<const float> pixels) {
  return [pixels](int first_row, ImageView<float> rows, int /*threads*/) -> Result<void> {
    for (int y = 0; y < rows.height; ++y) {
      std::copy_n(pixels.row(first_row + y),
                  static_cast<std::ptrdiff_t>(rows.width) * rows.channels,
                  rows.row(y));
    }
    return {};
  };
}

Result<ExrWritten> write_exr(const std::filesystem::path& temporary_path,
                             const std::filesystem::path& shown_path,
                             std::span<const ExrPicture> parts,
                             int threads) {
  CheckedFile file(temporary_path);
  std::string reason;
  Result<ExrWritten> written = ExrWritten{};
  try {
    written = parts.size() == 1 ? write_part(file, shown_path.string(), parts.front(), threads)
                                : write_parts(file, shown_path.string(), parts, threads);
  } catch (const std::exception& exception) {
    reason = exception.what();
  }
  if (Result<void> closed = file.close(shown_path); !closed) return fail(closed.error());
  if (!reason.empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: OpenEXR refuses the picture ({})",
                            shown_path.string(),
                            footage::detail::reason_in(reason, shown_path.string())));
  }
  return written;
}

}  // namespace trueplate::warp::detail
