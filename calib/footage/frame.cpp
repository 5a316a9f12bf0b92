#include "calib/footage/frame.h"

#include <OpenEXR/ImfThreading.h>
#include <fmt/format.h>

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/parallel.h"
#include "calib/footage/detail/picture_channels.h"
#include "calib/footage/detail/readers.h"

namespace trueplate::footage {
namespace {

constexpr std::array<float, 3> kRec709 = {0.2126F, 0.7152F, 0.0722F};

std::string names_of(const std::vector<Channel>& channels) {
  std::string names;
  for (const Channel& channel : channels) {
    names += (names.empty() ? "" : ", ") + channel.name;
    if (names.size() > 100) break;
  }
  return names.empty() ? "(none)" : names;
}

/// The channels to add up; three times the same for a plane of one channel.
Result<std::array<int, 3>> channels_of(const Frame& frame, Plane plane) {
  const std::optional<detail::PictureChannels> picture = detail::picture_channels(frame.channels);
  if (!picture) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("no picture to look at among the channels {}; wanted R, G, B or Y",
                            names_of(frame.channels)));
  }
  if (plane == Plane::kLuma) return picture->rgb;
  if (picture->is_gray()) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("is grey: among the channels {} there is no {}; wanted R, G and B",
                            names_of(frame.channels),
                            plane_name(plane)));
  }
  const int channel = picture->rgb[plane == Plane::kRed ? 0 : plane == Plane::kGreen ? 1 : 2];
  return std::array{channel, channel, channel};
}

}  // namespace

std::string_view sample_format_name(SampleFormat format) {
  switch (format) {
    case SampleFormat::kUint8:
      return "8-bit";
    case SampleFormat::kUint10:
      return "10-bit";
    case SampleFormat::kUint12:
      return "12-bit";
    case SampleFormat::kUint16:
      return "16-bit";
    case SampleFormat::kHalf:
      return "half";
    case SampleFormat::kFloat:
      return "float";
    case SampleFormat::kUint32:
      return "32-bit unsigned";
  }
  return "";
}

std::string_view plane_name(Plane plane) {
  switch (plane) {
    case Plane::kLuma:
      return "luma";
    case Plane::kRed:
      return "red";
    case Plane::kGreen:
      return "green";
    case Plane::kBlue:
      return "blue";
  }
  return "";
}

Result<Luma> luma(const Frame& frame, int threads) {
  return plane_of(frame, Plane::kLuma, threads);
}

Result<Luma> plane_of(const Frame& frame, Plane plane, int threads) {
  const Result<std::array<int, 3>> channels = channels_of(frame, plane);
  if (!channels) return fail(channels.error());
  const Window& data = frame.windows.data;
  const Window& display = frame.windows.display;
  Luma result;
  result.plate_size = display.size();
  result.offset_px = {static_cast<double>(data.x) - display.x,
                      static_cast<double>(data.y) - display.y};
  result.pixels = Image<float>(frame.pixels.width(), frame.pixels.height(), 1);
  const auto [r, g, b] = *channels;
  parallel_rows(frame.pixels.height(), threads, [&, r = r, g = g, b = b](int begin, int end) {
    const std::ptrdiff_t stride = frame.pixels.channels();
    for (int y = begin; y < end; ++y) {
      const float* from = frame.pixels.row(y);
      float* to = result.pixels.row(y);
      if (r == g) {
        for (int x = 0; x < frame.pixels.width(); ++x) to[x] = from[x * stride + r];
        continue;
      }
      for (int x = 0; x < frame.pixels.width(); ++x) {
        const float* pixel = from + x * stride;
        to[x] = kRec709[0] * pixel[r] + kRec709[1] * pixel[g] + kRec709[2] * pixel[b];
      }
    }
  });
  return result;
}

void set_io_threads(int threads) {
  const int count = resolve_threads(threads);
  // OpenEXR decodes in the calling thread when its pool is empty.
  Imf::setGlobalThreadCount(count > 1 ? count : 0);
  detail::set_picture_threads(count);
}

}  // namespace trueplate::footage
