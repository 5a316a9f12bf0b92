#include "warp/io/detail/output_spec.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <string>
#include <variant>

#include "calib/footage/detail/metadata.h"
#include "calib/footage/detail/picture_channels.h"
#include "calib/footage/detail/picture_spec.h"

namespace trueplate::warp::detail {
namespace {

using footage::Alpha;
using footage::Frame;
using footage::SampleFormat;

/// The nearest format to `wanted` that files of this kind hold. Never one with fewer bits, except
/// where there is none.
SampleFormat nearest_format(FileKind kind, SampleFormat wanted) {
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

}  // namespace

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

SampleFormat format_in(FileKind kind, const Frame& frame, const Places& places) {
  SampleFormat format = SampleFormat::kUint8;
  for (const int place : places.channels) {
    const SampleFormat wanted = frame.channels[static_cast<std::size_t>(place)].format;
    format = std::max(format, nearest_format(kind, wanted));
  }
  return format;
}

OIIO::ImageSpec output_spec(FileKind kind,
                            const std::optional<Compression>& compression,
                            const Frame& frame,
                            const Places& places,
                            SampleFormat format) {
  const Window& display = frame.windows.display;
  OIIO::ImageSpec spec(display.width,
                       display.height,
                       static_cast<int>(places.channels.size()),
                       library_type(format));
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
    if (is_alpha(frame, places.channels[static_cast<std::size_t>(c)])) {
      spec.alpha_channel = c;
      spec.channelnames[static_cast<std::size_t>(c)].assign(1, 'A');
    }
  }
  set_compression(spec, kind, compression, is_same_kind ? &before : nullptr);
  return spec;
}

}  // namespace trueplate::warp::detail
