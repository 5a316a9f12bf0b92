#include "warp/st_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "calib/base/parallel.h"
#include "warp/detail/map_rows.h"

namespace trueplate::warp {
namespace {

/// Points evaluated at a time: both coordinates stay in the first-level cache.
constexpr int kBlock = 1024;

/// Windows further from (0, 0) are refused, so that sums of coordinates stay far from the limits
/// of int.
constexpr int kMaxOrigin = 1 << 28;

void store_st(
    const double* x, const double* y, int count, ImageSize source, TOrigin origin, float* out) {
  const double s_per_px = 1.0 / source.width;
  const double sign = origin == TOrigin::kTopLeft ? 1.0 : -1.0;
  const double t_per_px = sign / source.height;
  const double t_offset = origin == TOrigin::kTopLeft ? 0.0 : 1.0;
  for (int i = 0; i < count; ++i) {
    out[2 * i] = static_cast<float>(x[i] * s_per_px);
    out[2 * i + 1] = static_cast<float>(t_offset + y[i] * t_per_px);
  }
}

Result<StMap> make_map(const lens::Lens& lens,
                       const MapOptions& options,
                       StMap recycled,
                       MapDirection direction) {
  const Result<detail::MapRows> rows = detail::MapRows::create(lens, direction, options);
  if (!rows) return fail(rows.error());
  const Window& display = rows->windows().display;
  const Window& data = rows->windows().data;

  StMap map = std::move(recycled);
  if (map.st.channels() != 2 || map.st.width() != data.width || map.st.height() != data.height) {
    map.st = Image<float>(data.width, data.height, 2);
  }
  map.output = rows->windows();
  map.source_display = display;
  map.t_origin = options.t_origin;
  map.direction = direction;

  parallel_rows(data.height, options.threads, [&](int begin, int end) {
    std::array<double, kBlock> x;
    std::array<double, kBlock> y;
    for (int j = begin; j < end; ++j) {
      for (int i = 0; i < data.width; i += kBlock) {
        const int count = std::min(kBlock, data.width - i);
        const auto size = static_cast<std::size_t>(count);
        rows->positions(j, i, {x.data(), size}, {y.data(), size});
        float* out = map.st.row(j) + 2 * static_cast<std::ptrdiff_t>(i);
        store_st(x.data(), y.data(), count, display.size(), options.t_origin, out);
      }
    }
  });
  return map;
}

}  // namespace

std::string_view to_text(TOrigin origin) {
  return origin == TOrigin::kTopLeft ? "top-left" : "bottom-left";
}

std::string_view to_text(MapDirection direction) {
  return direction == MapDirection::kUndistort ? "undistort" : "redistort";
}

Result<void> validate(const StMap& map) {
  if (map.output.display.empty() || map.output.data.empty() || map.source_display.empty()) {
    return fail(ErrorCode::kInvalidInput, "ST-map: a window of the map is empty");
  }
  if (map.st.channels() != 2 || map.st.width() != map.output.data.width ||
      map.st.height() != map.output.data.height) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("ST-map: found {}x{} pixels of {} channels, wanted {}x{} of 2 as the "
                            "data window says",
                            map.st.width(),
                            map.st.height(),
                            map.st.channels(),
                            map.output.data.width,
                            map.output.data.height));
  }
  return {};
}

Point2d position_from_st(const Point2d& p_st, ImageSize source, TOrigin origin) {
  const double t_top = origin == TOrigin::kTopLeft ? p_st.y() : 1.0 - p_st.y();
  return {p_st.x() * source.width, t_top * source.height};
}

Point2d st_from_position(const Point2d& p_px, ImageSize source, TOrigin origin) {
  const double t_top = p_px.y() / source.height;
  return {p_px.x() / source.width, origin == TOrigin::kTopLeft ? t_top : 1.0 - t_top};
}

Result<FrameWindows> output_windows(const lens::Lens& lens, const MapOptions& options) {
  const Window display =
      options.display_window.value_or(Window{0, 0, lens.plate_size.width, lens.plate_size.height});
  const EdgePixels& edges = options.overscan_px;
  if (display.empty()) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format(
            "display window is {}x{}, wanted at least one pixel", display.width, display.height));
  }
  if (std::abs(static_cast<double>(display.x)) > kMaxOrigin ||
      std::abs(static_cast<double>(display.y)) > kMaxOrigin) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("display window begins at ({}, {}), at most {} is possible",
                            display.x,
                            display.y,
                            kMaxOrigin));
  }
  if (std::min({edges.left, edges.top, edges.right, edges.bottom}) < 0) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("overscan is {},{},{},{} px, wanted none negative",
                            edges.left,
                            edges.top,
                            edges.right,
                            edges.bottom));
  }
  const double width = static_cast<double>(display.width) + edges.left + edges.right;
  const double height = static_cast<double>(display.height) + edges.top + edges.bottom;
  if (width > kMaxImageSide || height > kMaxImageSide) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("picture with overscan is {:.0f}x{:.0f}, at most {} pixels a side",
                            width,
                            height,
                            kMaxImageSide));
  }
  return FrameWindows{.display = display, .data = data_window(display, edges)};
}

Result<StMap> make_undistort_map(const lens::Lens& lens,
                                 const MapOptions& options,
                                 StMap recycled) {
  return make_map(lens, options, std::move(recycled), MapDirection::kUndistort);
}

Result<StMap> make_redistort_map(const lens::Lens& lens,
                                 const MapOptions& options,
                                 StMap recycled) {
  return make_map(lens, options, std::move(recycled), MapDirection::kRedistort);
}

}  // namespace trueplate::warp
