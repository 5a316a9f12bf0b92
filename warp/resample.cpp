#include "warp/resample.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "calib/base/parallel.h"
#include "calib/base/text.h"
#include "calib/lens/rows.h"
#include "warp/detail/resample_plain.h"

namespace trueplate::warp {
namespace {

constexpr std::array<std::pair<Filter, std::string_view>, 3> kFilters{
    {{Filter::kBilinear, "bilinear"}, {Filter::kCubic, "cubic"}, {Filter::kLanczos, "lanczos"}}};

Result<void> check(const SourcePicture& source, ImageSize wanted, ImageView<float> output) {
  const ImageView<const float>& pixels = source.pixels;
  if (source.windows.display.empty()) {
    return fail(ErrorCode::kInvalidInput, "source picture: the display window is empty");
  }
  const Window& data = source.windows.data;
  if (pixels.width != data.width || pixels.height != data.height) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("source picture: found {}x{} pixels, wanted {}x{} as its data window "
                            "says",
                            pixels.width,
                            pixels.height,
                            data.width,
                            data.height));
  }
  if (output.size() != wanted || output.channels != pixels.channels) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("output picture: found {}x{} pixels of {} channels, wanted {}x{} of {}",
                            output.width,
                            output.height,
                            output.channels,
                            wanted.width,
                            wanted.height,
                            pixels.channels));
  }
  return {};
}

}  // namespace

std::string_view to_text(Filter filter) {
  for (const auto& [value, name] : kFilters) {
    if (value == filter) return name;
  }
  return {};
}

Result<Filter> parse_filter(std::string_view text) {
  for (const auto& [value, name] : kFilters) {
    if (name == trim(text)) return value;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("filter '{}': wanted bilinear, cubic or lanczos", text));
}

int kernel_width(Filter filter) {
  switch (filter) {
    case Filter::kBilinear:
      return 2;
    case Filter::kCubic:
      return 4;
    case Filter::kLanczos:
      return 6;
  }
  return 0;
}

Result<void> resample(const SourcePicture& source,
                      const StMap& map,
                      const ResampleOptions& options,
                      ImageView<float> output) {
  if (Result<void> checked = validate(map); !checked) return checked;
  if (Result<void> checked = check(source, map.output.data.size(), output); !checked) {
    return checked;
  }
  const ImageSize size = source.windows.display.size();
  parallel_rows(output.height, options.threads, [&](int begin, int end) {
    for (int j = begin; j < end; ++j) {
      const float* st = map.st.row(j);
      for (int i = 0; i < output.width; ++i) {
        const Point2d p_px = position_from_st({st[2 * i], st[2 * i + 1]}, size, map.t_origin);
        detail::sample_plain(source, p_px, options.filter, &output.row(j)[i * output.channels]);
      }
    }
  });
  return {};
}

Result<Image<float>> resample(const SourcePicture& source,
                              const StMap& map,
                              const ResampleOptions& options) {
  if (Result<void> checked = validate(map); !checked) return fail(checked.error());
  Image<float> output(map.output.data.width, map.output.data.height, source.pixels.channels);
  if (Result<void> done = resample(source, map, options, output.view()); !done) {
    return fail(done.error());
  }
  return output;
}

Result<void> warp_frame(const SourcePicture& source,
                        const lens::Lens& lens,
                        MapDirection direction,
                        const MapOptions& map_options,
                        const ResampleOptions& options,
                        ImageView<float> output) {
  MapOptions with_threads = map_options;
  with_threads.threads = options.threads;
  Result<StMap> map = direction == MapDirection::kUndistort
                          ? make_undistort_map(lens, with_threads)
                          : make_redistort_map(lens, with_threads);
  if (!map) return fail(map.error());
  return resample(source, *map, options, output);
}

Result<Image<float>> warp_frame(const SourcePicture& source,
                                const lens::Lens& lens,
                                MapDirection direction,
                                const MapOptions& map_options,
                                const ResampleOptions& options) {
  const Result<FrameWindows> windows = output_windows(lens, map_options);
  if (!windows) return fail(windows.error());
  Image<float> output(windows->data.width, windows->data.height, source.pixels.channels);
  Result<void> done = warp_frame(source, lens, direction, map_options, options, output.view());
  if (!done) return fail(done.error());
  return output;
}

}  // namespace trueplate::warp
