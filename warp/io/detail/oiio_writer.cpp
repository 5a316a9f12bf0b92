#include "warp/io/detail/oiio_writer.h"

#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>
#include <fmt/format.h>

#include <algorithm>
#include <cstdint>
#include <cstring>
#include <string>
#include <type_traits>

#include "calib/base/parallel.h"
#include "calib/footage/detail/open_picture.h"
#include "warp/io/detail/checked_file.h"
#include "warp/io/detail/display_samples.h"
#include "warp/io/detail/dpx_header_patch.h"
#include "warp/io/detail/output_spec.h"

namespace trueplate::warp::detail {
namespace {

using footage::Frame;
using footage::SampleFormat;

/// Lets the image library write through a CheckedFile.
class CheckedProxy : public OIIO::Filesystem::IOProxy {
 public:
  CheckedProxy(CheckedFile& file, const std::string& name)
      : OIIO::Filesystem::IOProxy(name, Write), file_(file) {}
  [[nodiscard]] const char* proxytype() const override { return "checked"; }
  std::int64_t tell() override { return static_cast<std::int64_t>(file_.position()); }
  bool seek(std::int64_t offset) override {
    return offset >= 0 && file_.seek(static_cast<std::uint64_t>(offset));
  }
  std::size_t write(const void* bytes, std::size_t count) override {
    return file_.write(bytes, count) ? count : 0;
  }
  std::size_t read(void* bytes, std::size_t count) override { return file_.read(bytes, count); }
  std::size_t pread(void* bytes, std::size_t count, std::int64_t offset) override {
    const std::int64_t before = tell();
    if (!seek(offset)) return 0;
    const std::size_t got = read(bytes, count);
    return seek(before) ? got : 0;
  }
  std::size_t pwrite(const void* bytes, std::size_t count, std::int64_t offset) override {
    const std::int64_t before = tell();
    return seek(offset) && write(bytes, count) == count && seek(before) ? count : 0;
  }
  [[nodiscard]] std::size_t size() const override { return file_.size(); }

 private:
  CheckedFile& file_;
};

const char* library_format(FileKind kind) {
  switch (kind) {
    case FileKind::kDpx:
      return "dpx";
    case FileKind::kTiff:
      return "tiff";
    case FileKind::kPng:
      return "png";
    case FileKind::kJpeg:
      return "jpeg";
    case FileKind::kExr:
      break;
  }
  return "openexr";
}

/// Where a picture goes.
struct Target {
  const std::filesystem::path& temporary_path;
  const std::filesystem::path& shown_path;
  FileKind kind;
  double pixel_aspect;
  int threads;
};

Unexpected refused(const Target& target, std::string_view reason) {
  return fail(ErrorCode::kUnsupported,
              fmt::format("{}: the image library cannot write this as {} ({})",
                          target.shown_path.string(),
                          footage::detail::kind_name(target.kind),
                          reason));
}

Unexpected unwritable(const Target& target, std::string_view reason) {
  return fail(ErrorCode::kUnwritable,
              fmt::format("{}: could not be written ({})", target.shown_path.string(), reason));
}

template <class T>
OIIO::TypeDesc type_of();
template <>
OIIO::TypeDesc type_of<std::uint8_t>() {
  return OIIO::TypeUInt8;
}
template <>
OIIO::TypeDesc type_of<std::uint16_t>() {
  return OIIO::TypeUInt16;
}
template <>
OIIO::TypeDesc type_of<float>() {
  return OIIO::TypeFloat;
}

/// Whether the file holds exactly these samples.
template <class T>
bool reads_back(const Target& target, const OIIO::ImageSpec& spec, const std::vector<T>& samples) {
  const auto input = OIIO::ImageInput::create(library_format(target.kind));
  OIIO::ImageSpec config;
  config.attribute("oiio:UnassociatedAlpha", 1);
  OIIO::ImageSpec found;
  bool same =
      input != nullptr &&
      footage::detail::open_picture(*input, target.temporary_path.string(), found, config) &&
      found.width == spec.width && found.height == spec.height && found.nchannels == spec.nchannels;
  const std::size_t row_size =
      static_cast<std::size_t>(spec.width) * static_cast<std::size_t>(spec.nchannels);
  // Of fewer bits than the type has, only those count: the library fills the others its own way.
  const int bits = found.get_int_attribute("oiio:BitsPerSample", static_cast<int>(sizeof(T) * 8));
  const auto same_sample = [&](T a, T b) {
    if constexpr (std::is_floating_point_v<T>) {
      return std::memcmp(&a, &b, sizeof(T)) == 0;
    } else {
      const int shift = static_cast<int>(sizeof(T) * 8) - bits;
      return (a >> shift) == (b >> shift);
    }
  };
  constexpr int kRowsAtATime = 64;
  std::vector<T> rows(row_size * kRowsAtATime);
  for (int begin = 0; same && begin < spec.height; begin += kRowsAtATime) {
    const int end = std::min(spec.height, begin + kRowsAtATime);
    const std::size_t count = row_size * static_cast<std::size_t>(end - begin);
    const T* written = samples.data() + row_size * static_cast<std::size_t>(begin);
    same =
        input->read_scanlines(0, 0, begin, end, 0, 0, spec.nchannels, type_of<T>(), rows.data()) &&
        std::equal(written, written + count, rows.data(), same_sample);
  }
  if (input) input->geterror();
  return same;
}

/// Through the library's own file, for TIFF: with EXIF tags, this version of the library writes
/// broken files through a proxy. It hides errors of closing, so the file is read back.
template <class T>
Result<void> write_and_read_back(OIIO::ImageOutput& output,
                                 const Target& target,
                                 const OIIO::ImageSpec& spec,
                                 const std::vector<T>& samples) {
  const bool opened = output.open(target.temporary_path.string(), spec);
  const bool written = opened && output.write_image(type_of<T>(), samples.data()) && output.close();
  const std::string reason = output.geterror();
  if (written && reads_back(target, spec, samples)) return {};
  if (written) return unwritable(target, "it does not read back; the disk may be full");
  if (opened) return unwritable(target, reason);
  // Not even opened: a small file in the same place tells a disk in the way from a picture that the
  // library refuses.
  CheckedFile probe(target.temporary_path);
  const std::vector<char> block(std::size_t{1} << 16);
  probe.write(block.data(), block.size());
  if (Result<void> closed = probe.close(target.shown_path); !closed) return closed;
  return refused(target, reason);
}

/// Through a CheckedFile, which sees every error.
template <class T>
Result<void> write_through_proxy(OIIO::ImageOutput& output,
                                 const Target& target,
                                 const OIIO::ImageSpec& spec,
                                 const std::vector<T>& samples) {
  CheckedFile file(target.temporary_path);
  CheckedProxy proxy(file, target.temporary_path.string());
  const bool written = output.set_ioproxy(&proxy) &&
                       output.open(target.temporary_path.string(), spec) &&
                       output.write_image(type_of<T>(), samples.data()) && output.close();
  if (written && target.kind == FileKind::kDpx) {
    patch_dpx_aspect(file, target.pixel_aspect);
    patch_dpx_origin(file, target.shown_path, spec.find_attribute("DateTime") != nullptr);
  }
  const std::string reason = output.geterror();
  if (Result<void> closed = file.close(target.shown_path); !closed) return closed;
  if (!written) return refused(target, reason);
  return {};
}

template <class T>
Result<void> write_samples(const Target& target,
                           const OIIO::ImageSpec& spec,
                           const std::vector<T>& samples) {
  const std::unique_ptr<OIIO::ImageOutput> output =
      OIIO::ImageOutput::create(library_format(target.kind));
  if (!output) return refused(target, OIIO::geterror());
  output->threads(resolve_threads(target.threads));
  return target.kind == FileKind::kTiff ? write_and_read_back(*output, target, spec, samples)
                                        : write_through_proxy(*output, target, spec, samples);
}

}  // namespace

Result<std::vector<Warning>> write_other(const std::filesystem::path& temporary_path,
                                         const std::filesystem::path& shown_path,
                                         FileKind kind,
                                         const std::optional<Compression>& compression,
                                         const Frame& frame,
                                         int threads) {
  const Result<Places> places = places_for(shown_path, kind, frame);
  if (!places) return fail(places.error());
  const SampleFormat format = format_in(kind, frame, *places);
  const Target target = {temporary_path, shown_path, kind, frame.pixel_aspect, threads};
  const OIIO::ImageSpec spec = output_spec(kind, compression, frame, *places, format);
  Misfits misfits;
  Result<void> written;
  if (is_float(format)) {
    written = write_samples(
        target, spec, display_samples<float>(frame, *places, threads, misfits, [](float value) {
          return value;
        }));
  } else if (format == SampleFormat::kUint8) {
    written =
        write_samples(target,
                      spec,
                      display_samples<std::uint8_t>(
                          frame, *places, threads, misfits, Quantizer<std::uint8_t>(8, misfits)));
  } else {
    written = write_samples(
        target,
        spec,
        display_samples<std::uint16_t>(
            frame, *places, threads, misfits, Quantizer<std::uint16_t>(bits_of(format), misfits)));
  }
  if (!written) return fail(written.error());
  return warnings_of(kind, frame, *places, format, misfits);
}

}  // namespace trueplate::warp::detail
