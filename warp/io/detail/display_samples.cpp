#include "warp/io/detail/display_samples.h"

#include <fmt/format.h>

#include <algorithm>
#include <string_view>
#include <utility>

#include "calib/footage/detail/metadata.h"

namespace trueplate::warp::detail {

using footage::Alpha;
using footage::Frame;
using footage::SampleFormat;

bool is_float(SampleFormat format) {
  return format == SampleFormat::kHalf || format == SampleFormat::kFloat;
}

int bits_of(SampleFormat format) {
  switch (format) {
    case SampleFormat::kUint8:
      return 8;
    case SampleFormat::kUint10:
      return 10;
    case SampleFormat::kUint12:
      return 12;
    case SampleFormat::kUint16:
    case SampleFormat::kHalf:
      return 16;
    case SampleFormat::kFloat:
    case SampleFormat::kUint32:
      return 32;
  }
  return 16;
}

Overlap overlap_of(const FrameWindows& windows) {
  // Wide: the windows of a file may lie two billion pixels apart.
  const auto axis = [](std::int64_t display, int display_size, std::int64_t data, int data_size) {
    const std::int64_t begin = std::clamp<std::int64_t>(data - display, 0, display_size);
    const std::int64_t end = std::clamp<std::int64_t>(data + data_size - display, 0, display_size);
    return std::pair(static_cast<int>(begin), static_cast<int>(end));
  };
  const Window& display = windows.display;
  const Window& data = windows.data;
  const auto [begin_x, end_x] = axis(display.x, display.width, data.x, data.width);
  const auto [begin_y, end_y] = axis(display.y, display.height, data.y, data.height);
  Overlap overlap{begin_x, end_x, begin_y, end_y, 0, 0};
  if (!overlap.empty()) {
    overlap.offset_x = static_cast<int>(std::int64_t{display.x} - data.x);
    overlap.offset_y = static_cast<int>(std::int64_t{display.y} - data.y);
  }
  return overlap;
}

std::vector<Warning> warnings_of(FileKind kind,
                                 const Frame& frame,
                                 const Places& places,
                                 SampleFormat format,
                                 const Misfits& misfits) {
  std::vector<Warning> warnings;
  const std::string_view kind_text = footage::detail::kind_name(kind);
  const auto coarser =
      std::count_if(places.channels.begin(), places.channels.end(), [&](int place) {
        const SampleFormat before = frame.channels[static_cast<std::size_t>(place)].format;
        return bits_of(before) > bits_of(format) || (is_float(before) && !is_float(format));
      });
  if (coarser > 0) {
    warnings.push_back({"sample-format",
                        fmt::format("{} channels were rounded to {} samples, as {} holds them",
                                    coarser,
                                    sample_format_name(format),
                                    kind_text),
                        static_cast<double>(coarser)});
  }
  if (misfits.outside > 0) {
    warnings.push_back({"clipped",
                        fmt::format("{} samples below 0 or above 1 were clipped, as {} holds 0..1",
                                    misfits.outside.load(),
                                    kind_text),
                        static_cast<double>(misfits.outside)});
  }
  if (misfits.nan > 0) {
    warnings.push_back({"nan",
                        fmt::format("{} samples were NaN and became 0", misfits.nan.load()),
                        static_cast<double>(misfits.nan)});
  }
  auto num_dropped = static_cast<double>(frame.channels.size() - places.channels.size());
  for (const footage::Part& part : frame.further_parts) {
    num_dropped += static_cast<double>(part.channels.size());
  }
  if (num_dropped > 0) {
    warnings.push_back(
        {"dropped-channels",
         fmt::format("{} channels have no place in {} and were left out", num_dropped, kind_text),
         num_dropped});
  }
  const double num_cropped =
      static_cast<double>(frame.windows.data.width) * frame.windows.data.height -
      overlap_of(frame.windows).area();
  if (num_cropped > 0) {
    warnings.push_back({"cropped",
                        fmt::format("{} pixels outside the display window have no place in {} and "
                                    "were left out; EXR keeps them",
                                    num_cropped,
                                    kind_text),
                        num_cropped});
  }
  if (misfits.bare_light > 0) {
    warnings.push_back(
        {"bare-light",
         fmt::format("{} pixels hold colour where alpha is 0, which {}, whose colour "
                     "is not multiplied by alpha, cannot hold: they became black",
                     misfits.bare_light.load(),
                     kind_text),
         static_cast<double>(misfits.bare_light)});
  }
  return warnings;
}

}  // namespace trueplate::warp::detail
