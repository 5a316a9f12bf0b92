#include "warp/map_reformat.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <utility>

#include "calib/base/parallel.h"
#include "warp/detail/map_pixels.h"
#include "warp/map_field.h"

namespace trueplate::warp {
namespace {

/// A whole number of pixels, held where sums of a few of them are numbers still; whatever is held
/// is far more than a picture may have.
int pixels(double count) {
  constexpr double kMost = 4.0 * kMaxImageSide;
  return static_cast<int>(std::clamp(count, -kMost, kMost));
}

/// numerator / denominator, rounded down; the denominator is positive.
std::int64_t floor_of(std::int64_t numerator, std::int64_t denominator) {
  const std::int64_t quotient = numerator / denominator;
  return numerator % denominator < 0 ? quotient - 1 : quotient;
}

/// The whole pixels that hold begin .. begin + count of `old_size`, resized to `new_size`.
std::pair<int, int> scaled(std::int64_t begin, int count, int old_size, int new_size) {
  const int first = pixels(static_cast<double>(floor_of(begin * new_size, old_size)));
  const int end = pixels(static_cast<double>(-floor_of(-(begin + count) * new_size, old_size)));
  return {first, end - first};
}

/// A window in the proportions of a resized picture: whole pixels that hold it.
Window scaled(const Window& data, const Window& display, ImageSize size) {
  const auto [x, width] =
      scaled(std::int64_t{data.x} - display.x, data.width, display.width, size.width);
  const auto [y, height] =
      scaled(std::int64_t{data.y} - display.y, data.height, display.height, size.height);
  return {x, y, width, height};
}

Result<void> check_crop(const Window& crop, ImageSize size) {
  if (!crop.empty() && crop.x >= 0 && crop.y >= 0 && crop.width <= size.width - crop.x &&
      crop.height <= size.height - crop.y) {
    return {};
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("a crop of {}x{} pixels at {},{} does not lie in a picture of {}x{}",
                          crop.width,
                          crop.height,
                          crop.x,
                          crop.y,
                          size.width,
                          size.height));
}

}  // namespace

Result<MadeMap> reformat_map(const StMap& map, const Reformat& reformat, int threads) {
  if (Result<void> valid = validate(map); !valid) return fail(valid.error());
  const Window& display = map.output.display;
  const ImageSize size = reformat.size.value_or(display.size());
  if (size.width < 1 || size.height < 1) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a size of {}x{} pixels", size.width, size.height));
  }
  const double scale_x = static_cast<double>(size.width) / display.width;
  const double scale_y = static_cast<double>(size.height) / display.height;
  const Window whole{0, 0, size.width, size.height};
  const Window crop = reformat.crop.value_or(whole);
  if (Result<void> inside = check_crop(crop, size); !inside) return fail(inside.error());

  FrameWindows output{whole, scaled(map.output.data, display, size)};
  // The source is resized by the same factors, whatever its size.
  const Window& source = map.source_display;
  Window new_source{0,
                    0,
                    std::max(1, pixels(std::round(source.width * scale_x))),
                    std::max(1, pixels(std::round(source.height * scale_y)))};
  if (reformat.crop) {
    output = {{0, 0, crop.width, crop.height}, {0, 0, crop.width, crop.height}};
    new_source = output.display;
  }
  Result<StMap> made = detail::empty_map(output, new_source, reformat.t_origin, map.direction);
  if (!made) return fail(made.error());

  const MapField field(map);
  const Point2d resize(scale_x, scale_y);
  const Point2d corner(crop.x, crop.y);
  const Window& old_data = map.output.data;
  const Point2d least(static_cast<double>(old_data.x) - display.x,
                      static_cast<double>(old_data.y) - display.y);
  const Point2d most = least + Point2d(old_data.width, old_data.height);
  parallel_rows(made->st.height(), threads, [&](int begin, int end) {
    for (int row = begin; row < end; ++row) {
      for (int column = 0; column < made->st.width(); ++column) {
        Point2d place =
            (detail::pixel_centre(made->output, column, row) + corner).cwiseQuotient(resize);
        // Whole pixels may reach a little further than the resized data window.
        place = place.cwiseMax(least).cwiseMin(most);
        const std::optional<MapSample> sample = field.at(place);
        if (!sample) {
          detail::set_position(*made, column, row, std::nullopt);
          continue;
        }
        detail::set_position(
            *made, column, row, Point2d(sample->position_px.cwiseProduct(resize) - corner));
      }
    }
  });
  MadeMap result{.map = std::move(*made), .warnings = {}};
  const double stretch = scale_y / scale_x;
  // Sizes are whole pixels, so equal proportions may differ by one of them.
  if (std::abs(stretch - 1.0) * std::max(size.width, size.height) > 1.0) {
    result.warnings.push_back(
        {"map-stretched",
         fmt::format("from {}x{} to {}x{} height and width change by different factors; right only "
                     "if the pictures were stretched so",
                     display.width,
                     display.height,
                     size.width,
                     size.height),
         stretch});
  }
  return result;
}

}  // namespace trueplate::warp
