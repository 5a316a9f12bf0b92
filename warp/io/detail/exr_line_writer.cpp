#include "warp/io/detail/exr_line_writer.h"

#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfOutputFile.h>

#include <algorithm>
#include <atomic>
#include <cstdint>
#include <cstring>
#include <string_view>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/parallel.h"
#include "calib/footage/content_digest.h"
#include "calib/footage/detail/exr_lines.h"

namespace trueplate::warp::detail {
namespace {

using footage::detail::ExrLine;
using footage::detail::PlaneRow;

/// A file in memory.
class TextStream : public Imf::OStream {
 public:
  explicit TextStream(const std::string& name) : Imf::OStream(name.c_str()) {}
  void write(const char* bytes, int count) override {
    const auto size = static_cast<std::size_t>(count);
    if (text_.size() < position_ + size) text_.resize(position_ + size);
    std::copy_n(bytes, size, text_.data() + position_);
    position_ += size;
  }
  std::uint64_t tellp() override { return position_; }
  void seekp(std::uint64_t position) override { position_ = position; }
  [[nodiscard]] const std::string& text() const { return text_; }

 private:
  std::string text_;
  std::size_t position_ = 0;
};

// OpenEXR File Layout: the header; a table of where each line begins in the file, as 64-bit
// numbers; the lines, each behind its number and its size in bytes, as 32-bit numbers.
constexpr std::size_t kLineHead = 2 * sizeof(std::int32_t);

/// What comes before the lines.
std::string head_of(const std::string& name,
                    const Imf::Header& header,
                    int num_lines,
                    std::size_t line_size) {
  TextStream stream(name);
  { const Imf::OutputFile file(stream, header, 0); }  // writes the header and an empty table
  std::string head = stream.text();
  const std::size_t table_size = static_cast<std::size_t>(num_lines) * sizeof(std::uint64_t);
  char* entry = head.data() + (head.size() - table_size);
  std::uint64_t offset = head.size();
  for (int i = 0; i < num_lines; ++i) {
    std::memcpy(entry, &offset, sizeof(offset));
    entry += sizeof(offset);
    offset += line_size;
  }
  return head;
}

/// Lines at a time: as they are made and as they are written they stay in the processor's cache.
int lines_at_a_time(std::size_t line_size, int threads) {
  constexpr std::size_t kBytes = std::size_t{1} << 18;
  constexpr std::size_t kFewest = 4;
  constexpr std::size_t kMost = 32;
  return static_cast<int>(std::clamp(kBytes / line_size, kFewest, kMost)) *
         std::min(resolve_threads(threads), 8);
}

/// Puts pixels into lines, the first of them number `first`. Returns how many samples were clipped.
std::int64_t fill_lines(
    ImageView<const float> pixels, const ExrLine& layout, int first, char* lines, int threads) {
  std::atomic<std::int64_t> num_clipped{0};
  const auto fill = [&](int begin, int end) {
    std::vector<PlaneRow> planes(static_cast<std::size_t>(pixels.channels));
    std::int64_t clipped = 0;
    for (int y = begin; y < end; ++y) {
      char* line = lines + static_cast<std::size_t>(y) * (kLineHead + layout.num_bytes());
      const std::int32_t head[] = {first + y, static_cast<std::int32_t>(layout.num_bytes())};
      std::memcpy(line, head, kLineHead);
      layout.planes_at(line + kLineHead, planes);
      clipped += footage::detail::split_planes(
          pixels.row(y), static_cast<std::size_t>(pixels.width), planes);
    }
    num_clipped.fetch_add(clipped);
  };
  constexpr int kLinesPerCall = 16;  // fewer are not worth another thread
  parallel_rows(pixels.height, threads, fill, kLinesPerCall);
  return num_clipped.load();
}

}  // namespace

Result<ExrWritten> write_lines(CheckedFile& file,
                               const std::string& name,
                               const Imf::Header& header,
                               const ExrPicture& picture,
                               int threads) {
  const Window& data = picture.windows.data;
  const ExrLine layout(header, picture.channels, data.width);
  const std::size_t line_size = kLineHead + layout.num_bytes();
  const int capacity = std::min(lines_at_a_time(line_size, threads), data.height);
  Image<float> strip(data.width, capacity, static_cast<int>(picture.channels.size()));
  std::string lines(static_cast<std::size_t>(capacity) * line_size, '\0');

  footage::ContentDigest digest;
  const auto put = [&](std::string_view bytes) {
    if (!picture.record.empty()) digest.add(bytes);
    file.write(bytes.data(), bytes.size());
  };
  ExrWritten written;
  put(head_of(name, header, data.height, line_size));
  for (int begin = 0; begin < data.height && !file.failed(); begin += capacity) {
    ImageView<float> view = strip.view();
    view.height = std::min(capacity, data.height - begin);
    if (Result<void> made = picture.rows(begin, view, threads); !made) return fail(made.error());
    written.num_clipped += fill_lines(view, layout, data.y + begin, lines.data(), threads);
    put(std::string_view(lines).substr(0, static_cast<std::size_t>(view.height) * line_size));
  }
  if (!picture.record.empty()) written.digest = digest.text();
  return written;
}

}  // namespace trueplate::warp::detail
