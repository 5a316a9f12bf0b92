#include <OpenImageIO/imageio.h>
#include <fmt/format.h>

#include <cstdint>
#include <memory>
#include <system_error>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/footage/detail/dpx_header.h"
#include "calib/footage/detail/open_picture.h"
#include "calib/footage/detail/picture_spec.h"
#include "calib/footage/detail/png_check.h"
#include "calib/footage/detail/readers.h"

namespace trueplate::footage::detail {
namespace {

const char* library_format(FileKind kind) {
  switch (kind) {
    case FileKind::kExr:
      return "openexr";
    case FileKind::kDpx:
      return "dpx";
    case FileKind::kTiff:
      return "tiff";
    case FileKind::kPng:
      return "png";
    case FileKind::kJpeg:
      return "jpeg";
  }
  return "";
}

Result<SampleFormat> sample_format_of(const std::filesystem::path& path,
                                      const OIIO::ImageSpec& spec) {
  const int bits = spec.get_int_attribute("oiio:BitsPerSample");
  if (spec.channelformats.empty()) {
    if (spec.format == OIIO::TypeUInt8) return SampleFormat::kUint8;
    if (spec.format == OIIO::TypeUInt16 && bits == 10) return SampleFormat::kUint10;
    if (spec.format == OIIO::TypeUInt16 && bits == 12) return SampleFormat::kUint12;
    if (spec.format == OIIO::TypeUInt16) return SampleFormat::kUint16;
    if (spec.format == OIIO::TypeHalf) return SampleFormat::kHalf;
    if (spec.format == OIIO::TypeFloat) return SampleFormat::kFloat;
  }
  return fail(ErrorCode::kUnsupported,
              fmt::format("{}: samples of type {}; 8 to 16-bit unsigned, half and float are read",
                          path.string(),
                          spec.format.c_str()));
}

/// Integers of `bits` bits, which the library hands over widened to the type's width by repeating
/// the leading bits, as value / (2^bits - 1).
template <class T>
void scale_rows(const T* from, Image<float>& to, int bits, int threads) {
  const int shift = static_cast<int>(sizeof(T) * 8) - bits;
  const float largest = static_cast<float>((1 << bits) - 1);
  const std::size_t row_size =
      static_cast<std::size_t>(to.width()) * static_cast<std::size_t>(to.channels());
  parallel_rows(to.height(), threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      const T* source = from + static_cast<std::size_t>(y) * row_size;
      float* target = to.row(y);
      for (std::size_t i = 0; i < row_size; ++i) {
        target[i] = static_cast<float>(source[i] >> shift) / largest;
      }
    }
  });
}

/// A damaged header can promise gigabytes of pixels that the file cannot hold.
Result<void> check_compression_ratio(const std::filesystem::path& path,
                                     const OIIO::ImageSpec& spec) {
  // Deflate reaches 1032:1 and TIFF's LZW less than 4096:1; JPEG needs a bit per block of 64.
  constexpr double kLargestRatio = 5000.0;
  std::error_code code;
  const auto length = static_cast<double>(std::filesystem::file_size(path, code));
  const auto promised = static_cast<double>(spec.image_bytes(true));
  if (code || promised > kLargestRatio * (length + 1000.0)) {
    return damaged(path, fmt::format("{} bytes cannot hold {} bytes of pixels", length, promised));
  }
  return {};
}

int bits_of(SampleFormat format) {
  switch (format) {
    case SampleFormat::kUint8:
      return 8;
    case SampleFormat::kUint10:
      return 10;
    case SampleFormat::kUint12:
      return 12;
    default:
      return 16;
  }
}

/// All pixels, or false with the library's message left in `input`.
bool read_pixels(OIIO::ImageInput& input, const Frame& header, Image<float>& pixels, int threads) {
  const SampleFormat format = header.channels.front().format;
  const auto read = [&](OIIO::TypeDesc type, void* to) {
    return input.read_image(0, 0, 0, pixels.channels(), type, to) && !input.has_error();
  };
  if (format == SampleFormat::kHalf || format == SampleFormat::kFloat) {
    return read(OIIO::TypeFloat, pixels.data());
  }
  if (format == SampleFormat::kUint8) {
    // Not a vector, which would clear the memory first.
    const auto samples = std::make_unique_for_overwrite<std::uint8_t[]>(pixels.size());
    if (!read(OIIO::TypeUInt8, samples.get())) return false;
    scale_rows(samples.get(), pixels, 8, threads);
    return true;
  }
  const auto samples = std::make_unique_for_overwrite<std::uint16_t[]>(pixels.size());
  if (!read(OIIO::TypeUInt16, samples.get())) return false;
  scale_rows(samples.get(), pixels, bits_of(format), threads);
  return true;
}

double pixel_aspect_of(FileKind kind, const OIIO::ImageSpec& spec) {
  const double stated = spec.get_float_attribute("PixelAspectRatio", 1.0F);
  if (kind != FileKind::kJpeg) return stated;
  // Of a JPEG the library gives the inverse of what it writes itself. Twice the dots per inch down
  // as across means pixels twice as wide as tall (JFIF 1.02, densities).
  const double across = spec.get_float_attribute("XResolution", 0.0F);
  const double down = spec.get_float_attribute("YResolution", 0.0F);
  return across > 0.0 && down > 0.0 ? down / across : 1.0;
}

void add_warnings(OIIO::ImageInput& input, const OIIO::ImageSpec& spec, Frame& frame) {
  const int orientation = spec.get_int_attribute("Orientation", 1);
  if (orientation != 1) {
    frame.warnings.push_back(
        {"exif-orientation",
         fmt::format("its header asks viewers to turn it (orientation {}); the pixels were taken "
                     "as the sensor stored them, {}x{}",
                     orientation,
                     spec.width,
                     spec.height),
         static_cast<double>(orientation)});
  }
  int further = spec.get_int_attribute("oiio:subimages", 0) - 1;
  if (further < 0) further = has_second_picture(input) ? 1 : 0;
  if (further > 0) {
    frame.warnings.push_back(
        {"further-parts",
         fmt::format("only the first of its pictures was read; at least {} left out", further),
         static_cast<double>(further)});
  }
}

/// Keeps the library from printing what it makes of odd headers; once is enough.
void quiet_library() {
  static const bool done = OIIO::attribute("debug", 0);
  static_cast<void>(done);
}

}  // namespace

void set_picture_threads(int threads) { OIIO::attribute("threads", threads); }

Result<Frame> read_other(const std::filesystem::path& path,
                         FileKind kind,
                         const ReadOptions& options,
                         Extent extent) {
  quiet_library();
  DpxLayout dpx;
  if (kind == FileKind::kDpx) {
    const Result<DpxLayout> layout = read_dpx_layout(path);
    if (!layout) return fail(layout.error());
    dpx = *layout;
  }
  if (kind == FileKind::kPng) {
    if (Result<void> sound = check_png_chunks(path); !sound) return fail(sound.error());
  }
  const std::unique_ptr<OIIO::ImageInput> input = OIIO::ImageInput::create(library_format(kind));
  if (!input) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: the image library was built without {} ({})",
                            path.string(),
                            kind_name(kind),
                            OIIO::geterror()));
  }
  input->threads(resolve_threads(options.threads));
  OIIO::ImageSpec config;
  config.attribute("oiio:UnassociatedAlpha", 1);  // leave colour as it is
  OIIO::ImageSpec spec;
  if (!open_picture(*input, path.string(), spec, config)) return damaged(path, input->geterror());
  if (Result<void> size =
          check_size(path, spec.width, spec.height, spec.nchannels, options.max_bytes);
      !size) {
    return fail(size.error());
  }
  if (kind == FileKind::kDpx) {
    const ImageSize size = {spec.width, spec.height};
    if (Result<void> length = check_dpx_length(path, dpx, size, spec.nchannels); !length) {
      return fail(length.error());
    }
  }
  if (Result<void> plausible = check_compression_ratio(path, spec); !plausible) {
    return fail(plausible.error());
  }
  if (spec.depth > 1) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: a volume of {} layers, wanted a picture", path.string(), spec.depth));
  }
  for (const char* name : {"tiff:ColorSpace", "jpeg:ColorSpace", "oiio:ColorSpace"}) {
    if (spec.get_string_attribute(name) == "CMYK") {
      return fail(ErrorCode::kUnsupported,
                  fmt::format("{}: printing colours (CMYK); convert it to RGB", path.string()));
    }
  }
  const Result<SampleFormat> format = sample_format_of(path, spec);
  if (!format) return fail(format.error());

  Frame frame;
  const Window window = {0, 0, spec.width, spec.height};
  frame.windows = {window, window};
  frame.pixel_aspect = pixel_aspect_of(kind, spec);
  for (int c = 0; c < spec.nchannels; ++c)
    frame.channels.push_back({spec.channel_name(c), *format});
  if (spec.alpha_channel >= 0) {
    frame.alpha = spec.get_int_attribute("oiio:UnassociatedAlpha") != 0 ? Alpha::kUnassociated
                                                                        : Alpha::kAssociated;
  }
  frame.metadata =
      std::make_shared<const Metadata>(Metadata{kind, std::make_shared<const PictureSpec>(spec)});
  if (extent == Extent::kWhole) {
    Image<float> pixels(spec.width, spec.height, spec.nchannels);
    if (!read_pixels(*input, frame, pixels, options.threads)) {
      return damaged(path, input->geterror());
    }
    if (kind == FileKind::kDpx && *format == SampleFormat::kUint10 &&
        !repair_dpx_row_ends(path, dpx, pixels.view())) {
      return damaged(path, "its pixels cannot be read");
    }
    frame.pixels = std::move(pixels);
  }
  add_warnings(*input, spec, frame);
  input->close();
  if (input->has_error()) input->geterror();  // of looking for a second picture
  return frame;
}

}  // namespace trueplate::footage::detail
