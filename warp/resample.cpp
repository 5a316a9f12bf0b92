#include "warp/resample.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "calib/base/parallel.h"
#include "calib/base/text.h"
#include "warp/detail/map_rows.h"
#include "warp/detail/resample_area.h"
#include "warp/detail/resample_row.h"

namespace trueplate::warp {
namespace {

/// Positions evaluated at a time: both coordinates stay in the first-level cache.
constexpr int kBlock = 1024;

constexpr std::array<std::pair<Filter, std::string_view>, 4> kFilters{
    {{Filter::kBilinear, "bilinear"},
     {Filter::kCubic, "cubic"},
     {Filter::kLanczos, "lanczos"},
     {Filter::kArea, "area"}}};
constexpr std::array<std::pair<Edge, std::string_view>, 3> kEdges{
    {{Edge::kBlack, "black"}, {Edge::kHold, "hold"}, {Edge::kMirror, "mirror"}}};

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
              fmt::format("filter '{}': wanted bilinear, cubic, lanczos or area", text));
}

std::string_view to_text(Edge edge) {
  for (const auto& [value, name] : kEdges) {
    if (value == edge) return name;
  }
  return {};
}

Result<Edge> parse_edge(std::string_view text) {
  for (const auto& [value, name] : kEdges) {
    if (name == trim(text)) return value;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("edge '{}': wanted black, hold or mirror", text));
}

int kernel_width(Filter filter) {
  switch (filter) {
    case Filter::kBilinear:
      return 2;
    case Filter::kCubic:
    case Filter::kArea:
      return 4;
    case Filter::kLanczos:
      return 6;
  }
  return 0;
}

Result<void> resample(const SourcePicture& source,
                      const StMap& map,
                      const ResampleOptions& options,
                      ImageView<float> output,
                      const std::function<void(int row)>& row_done) {
  if (Result<void> checked = validate(map); !checked) return checked;
  if (Result<void> checked =
          detail::check_pictures(source, map.output.data.size(), options.first_row, output);
      !checked) {
    return checked;
  }
  const detail::LookupSource lookup = detail::lookup_source(source, options.edge);
  const detail::StScale scale = detail::st_scale(source.windows.display.size(), map.t_origin);
  const std::size_t row_size = 2 * static_cast<std::size_t>(output.width);
  const int first_row = options.first_row.value_or(0);
  parallel_rows(output.height, options.threads, [&](int begin, int end) {
    for (int row = begin; row < end; ++row) {
      const int j = first_row + row;
      if (options.filter == Filter::kArea) {
        detail::area_row(lookup, {map, scale}, j, output.row(row));
      } else {
        detail::resample_row(
            lookup, options.filter, scale, {map.st.row(j), row_size}, output.row(row));
      }
      if (row_done) row_done(row);
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
  if (options.filter == Filter::kArea) {
    const Result<StMap> map = direction == MapDirection::kUndistort
                                  ? make_undistort_map(lens, map_options)
                                  : make_redistort_map(lens, map_options);
    if (!map) return fail(map.error());
    return resample(source, *map, options, output);
  }
  const Result<detail::MapRows> rows = detail::MapRows::create(lens, direction, map_options);
  if (!rows) return fail(rows.error());
  if (Result<void> checked =
          detail::check_pictures(source, rows->windows().data.size(), options.first_row, output);
      !checked) {
    return checked;
  }
  const detail::LookupSource lookup = detail::lookup_source(source, options.edge);
  // The source may be a smaller or larger copy of the picture the map is about.
  const Window& display = rows->windows().display;
  const double x_scale = static_cast<double>(source.windows.display.width) / display.width;
  const double y_scale = static_cast<double>(source.windows.display.height) / display.height;
  parallel_rows(output.height, options.threads, [&](int begin, int end) {
    std::array<double, kBlock> x_px;
    std::array<double, kBlock> y_px;
    for (int row = begin; row < end; ++row) {
      for (int i = 0; i < output.width; i += kBlock) {
        const auto count = static_cast<std::size_t>(std::min(kBlock, output.width - i));
        const std::span x(x_px.data(), count);
        const std::span y(y_px.data(), count);
        rows->positions(options.first_row.value_or(0) + row, i, x, y);
        if (x_scale != 1.0 || y_scale != 1.0) {
          for (double& value : x) value *= x_scale;
          for (double& value : y) value *= y_scale;
        }
        detail::resample_row(lookup,
                             options.filter,
                             x,
                             y,
                             output.row(row) + static_cast<std::ptrdiff_t>(i) * output.channels);
      }
    }
  });
  return {};
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
