#include "warp/io/detail/oiio_writer.h"

#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <numeric>
#include <string>
#include <type_traits>

#include "calib/base/parallel.h"
#include "calib/footage/detail/picture_channels.h"
#include "calib/footage/detail/picture_spec.h"
#include "warp/io/detail/checked_file.h"
#include "warp/io/detail/display_samples.h"
#include "warp/io/detail/dpx_header_patch.h"

namespace trueplate::warp::detail {
namespace {

using footage::Alpha;
using footage::Frame;
using footage::Metadata;
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

/// The nearest format to `wanted` that files of this kind hold. Never one with fewer bits, except
/// where there is none.
SampleFormat format_in(FileKind kind, SampleFormat wanted) {
  switch (kind) {
    case FileKind::kJpeg:
      return SampleFormat::kUint8;
    case FileKind::kPng:
      return wanted == SampleFormat::kUint8 ? wanted : SampleFormat::kUint16;
    case FileKind::kDpx:
      return is_float(wanted) ? SampleFormat::kUint16 : wanted;
    case FileKind::kTiff:
      return wanted == SampleFormat::kHalf ? SampleFormat::kFloat : wanted;
    case FileKind::kExr:
      break;
  }
  return wanted;
}

/// Also that of a layer which is shown for want of plain channels.
bool is_alpha(const Frame& frame, int channel) {
  const std::string& name = frame.channels[static_cast<std::size_t>(channel)].name;
  return name == "A" || name.ends_with(".A");
}

/// Which of the frame's channels go into the file, in its order.
Result<std::vector<int>> channels_for(const std::filesystem::path& shown_path,
                                      FileKind kind,
                                      const Frame& frame) {
  const int num_channels = static_cast<int>(frame.channels.size());
  std::vector<int> places;
  // A TIFF of many channels can be written back as it is; they have no names there, so the layers
  // of an EXR cannot.
  const bool has_names =
      frame.metadata != nullptr && std::holds_alternative<Imf::Header>(frame.metadata->header);
  if (kind == FileKind::kTiff && !has_names) {
    places.resize(static_cast<std::size_t>(num_channels));
    std::iota(places.begin(), places.end(), 0);
    return places;
  }
  const auto picture = footage::detail::picture_channels(frame.channels);
  if (!picture) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: no R, G, B or Y channel that {} could show; write an EXR",
                            shown_path.string(),
                            footage::detail::kind_name(kind)));
  }
  places.assign(picture->rgb.begin(), picture->rgb.begin() + (picture->is_gray() ? 1 : 3));
  const bool has_place_for_alpha =
      kind != FileKind::kJpeg && !(kind == FileKind::kDpx && picture->is_gray());
  if (picture->alpha >= 0 && has_place_for_alpha) places.push_back(picture->alpha);
  return places;
}

/// The channels of a file and how they relate to alpha. W3C PNG, 6.2: colour is not multiplied by
/// alpha; of TIFF the header says which, and DPX does not say.
Result<Places> places_for(const std::filesystem::path& shown_path,
                          FileKind kind,
                          const Frame& frame) {
  Result<std::vector<int>> channels = channels_for(shown_path, kind, frame);
  if (!channels) return fail(channels.error());
  Places places{.channels = *std::move(channels)};
  if (kind != FileKind::kPng || frame.alpha == Alpha::kUnassociated) return places;
  for (const int channel : places.channels) {
    if (is_alpha(frame, channel)) places.alpha = channel;
  }
  return places;
}

void set_compression(OIIO::ImageSpec& spec,
                     FileKind kind,
                     const std::optional<Compression>& chosen,
                     const OIIO::ImageSpec* same_kind_before) {
  switch (kind) {
    case FileKind::kTiff: {
      std::string name = chosen ? chosen->name : "zip";
      if (!chosen && same_kind_before != nullptr) {
        const std::string before(same_kind_before->get_string_attribute("compression"));
        if (before == "none" || before == "lzw" || before == "packbits") name = before;
      }
      spec.attribute("compression", name);
      return;
    }
    case FileKind::kPng:
      if (chosen && chosen->level > 0) spec.attribute("png:compressionLevel", chosen->level);
      return;
    case FileKind::kJpeg:
      spec.attribute("compression",
                     fmt::format("jpeg:{}", chosen && chosen->level > 0 ? chosen->level : 98));
      if (same_kind_before == nullptr) spec.attribute("jpeg:subsampling", "4:4:4");
      return;
    case FileKind::kDpx:
    case FileKind::kExr:
      return;
  }
}

/// JPEG and PNG have densities only. Of an aspect the library would make the same ones for 2 and
/// 0.5 in a JPEG, and ones of two digits in a PNG. JFIF 1.02: pixels twice as wide as tall have
/// twice the dots per inch down as across.
void set_pixel_aspect(OIIO::ImageSpec& spec, FileKind kind, double pixel_aspect) {
  if (kind != FileKind::kJpeg && kind != FileKind::kPng) {
    spec.attribute("PixelAspectRatio", static_cast<float>(pixel_aspect));
    return;
  }
  spec.erase_attribute("PixelAspectRatio");
  const double across = spec.get_float_attribute("XResolution", 0.0F);
  const double down = spec.get_float_attribute("YResolution", 0.0F);
  if (across >= 1.0 && std::abs(down / across - pixel_aspect) < 1e-3) return;
  // Whole numbers up to 65535; the longer axis gets 10000 so that any aspect keeps four digits.
  const double scale = 10000.0 / std::max(1.0, pixel_aspect);
  spec.attribute("XResolution", static_cast<float>(std::max(1.0, std::round(scale))));
  spec.attribute("YResolution",
                 static_cast<float>(std::max(1.0, std::round(scale * pixel_aspect))));
  spec.attribute("ResolutionUnit", "none");
}

OIIO::TypeDesc library_type(SampleFormat format) {
  switch (format) {
    case SampleFormat::kUint8:
      return OIIO::TypeUInt8;
    case SampleFormat::kHalf:
      return OIIO::TypeHalf;
    case SampleFormat::kFloat:
      return OIIO::TypeFloat;
    default:
      return OIIO::TypeUInt16;
  }
}

OIIO::ImageSpec make_spec(FileKind kind,
                          const std::optional<Compression>& compression,
                          const Frame& frame,
                          const std::vector<int>& places,
                          SampleFormat format) {
  const Window& display = frame.windows.display;
  OIIO::ImageSpec spec(
      display.width, display.height, static_cast<int>(places.size()), library_type(format));
  const OIIO::ImageSpec before = footage::detail::image_spec_of(frame.metadata.get());
  const bool is_same_kind = frame.metadata != nullptr && frame.metadata->kind == kind;
  spec.extra_attribs = before.extra_attribs;
  // What describes the old pixels, and what only this library would read back.
  for (const char* pattern : {"compression",
                              "planarconfig",
                              "ImageID",
                              "thumbnail_.*",
                              "oiio:(?!ColorSpace).*",
                              "openexr:.*",
                              "tiff:.*",
                              "png:.*"}) {
    spec.erase_attribute(pattern);
  }
  if (kind == FileKind::kTiff && spec.find_attribute("DateTime") == nullptr) {
    // How Exif 2.3, 4.6.4, writes an unknown date; the library would take the present moment, and a
    // frame that is made again would differ.
    spec.attribute("DateTime", "    :  :     :  :  ");
  }
  set_pixel_aspect(spec, kind, frame.pixel_aspect);
  if (!is_float(format) && bits_of(format) < 16) {
    spec.attribute("oiio:BitsPerSample", bits_of(format));
  }
  // Without it the library would divide the colour in a PNG by its alpha.
  if (kind == FileKind::kPng || frame.alpha == Alpha::kUnassociated) {
    spec.attribute("oiio:UnassociatedAlpha", 1);
  }
  for (int c = 0; c < spec.nchannels; ++c) {
    if (is_alpha(frame, places[static_cast<std::size_t>(c)])) {
      spec.alpha_channel = c;
      spec.channelnames[static_cast<std::size_t>(c)].assign(1, 'A');
    }
  }
  set_compression(spec, kind, compression, is_same_kind ? &before : nullptr);
  return spec;
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
  bool same = input != nullptr && input->open(target.temporary_path.string(), found, config) &&
              found.width == spec.width && found.height == spec.height &&
              found.nchannels == spec.nchannels;
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
  SampleFormat format = SampleFormat::kUint8;
  for (const int place : places->channels) {
    format =
        std::max(format, format_in(kind, frame.channels[static_cast<std::size_t>(place)].format));
  }
  const Target target = {temporary_path, shown_path, kind, frame.pixel_aspect, threads};
  const OIIO::ImageSpec spec = make_spec(kind, compression, frame, places->channels, format);
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
