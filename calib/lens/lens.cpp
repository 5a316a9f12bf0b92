#include "calib/lens/lens.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace trueplate::lens {
namespace {

Result<void> check_positive(std::string_view name, double value) {
  if (std::isfinite(value) && value > 0.0) return {};
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{} is {}, wanted a finite number above zero", name, value));
}

}  // namespace

Result<void> validate(const Lens& lens) {
  const ImageSize size = lens.plate_size;
  if (size.width < 1 || size.height < 1 || size.width > kMaxImageSide ||
      size.height > kMaxImageSide) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("plate size is {}x{}, wanted 1 to {} pixels a side",
                            size.width,
                            size.height,
                            kMaxImageSide));
  }
  const double film_width = lens.film_back ? lens.film_back->width_mm : 1.0;
  const double film_height = lens.film_back ? lens.film_back->height_mm : 1.0;
  const std::pair<std::string_view, double> positives[] = {{"pixel aspect", lens.pixel_aspect},
                                                           {"squeeze", lens.squeeze},
                                                           {"film back width", film_width},
                                                           {"film back height", film_height},
                                                           {"focal length x", lens.focal_px.x()},
                                                           {"focal length y", lens.focal_px.y()}};
  for (const auto& [name, value] : positives) {
    if (Result<void> checked = check_positive(name, value); !checked) return checked;
  }
  if (!lens.principal_point_px.allFinite()) {
    return fail(ErrorCode::kInvalidInput, "principal point is not a finite number");
  }
  for (std::size_t i = 0; i < parameters(lens.model).size(); ++i) {
    if (!std::isfinite(parameters(lens.model)[i])) {
      return fail(
          ErrorCode::kInvalidInput,
          fmt::format("coefficient {} is not a finite number", parameter_names(lens.model)[i]));
    }
  }
  return {};
}

std::optional<Point2d> focal_mm(const Lens& lens) {
  if (!lens.film_back) return std::nullopt;
  return Point2d(lens.focal_px.x() * lens.film_back->width_mm / lens.plate_size.width,
                 lens.focal_px.y() * lens.film_back->height_mm / lens.plate_size.height);
}

Point2d px_from_ideal(const Lens& lens, const Point2d& p_ideal) {
  return lens.focal_px.cwiseProduct(p_ideal) + lens.principal_point_px;
}

Point2d ideal_from_px(const Lens& lens, const Point2d& p_px) {
  return (p_px - lens.principal_point_px).cwiseQuotient(lens.focal_px);
}

std::optional<Point2d> distort_px(const Lens& lens, const Point2d& p_undistorted_px) {
  const std::optional<Point2d> p = distort(lens.model, ideal_from_px(lens, p_undistorted_px));
  if (!p) return std::nullopt;
  return px_from_ideal(lens, *p);
}

std::optional<Point2d> undistort_px(const Lens& lens, const Point2d& p_plate_px) {
  const std::optional<Point2d> p = undistort(lens.model, ideal_from_px(lens, p_plate_px));
  if (!p) return std::nullopt;
  return px_from_ideal(lens, *p);
}

double invertible_share_of_border(const Lens& lens) {
  const int width = lens.plate_size.width;
  const int height = lens.plate_size.height;
  long inside = 0;
  long total = 0;
  const auto count = [&](double x, double y) {
    ++total;
    if (undistort_px(lens, {x, y})) ++inside;
  };
  for (int x = 0; x <= width; ++x) {
    count(x, 0.0);
    count(x, height);
  }
  for (int y = 1; y < height; ++y) {
    count(0.0, y);
    count(width, y);
  }
  return static_cast<double>(inside) / static_cast<double>(total);
}

Lens scaled_to(const Lens& lens, ImageSize size) {
  const Point2d scale(static_cast<double>(size.width) / lens.plate_size.width,
                      static_cast<double>(size.height) / lens.plate_size.height);
  Lens scaled = lens;
  scaled.plate_size = size;
  scaled.focal_px = lens.focal_px.cwiseProduct(scale);
  scaled.principal_point_px = lens.principal_point_px.cwiseProduct(scale);
  scaled.pixel_aspect = lens.pixel_aspect * scale.y() / scale.x();
  return scaled;
}

Result<Lens> for_picture_of(const Lens& lens, ImageSize size) {
  const ImageSize plate = lens.plate_size;
  if (size == plate) return lens;
  if (size.width >= 1 && size.height >= 1) {
    constexpr double kHalfPixel = 0.5 + 1e-9;
    const double height = static_cast<double>(size.width) * plate.height / plate.width;
    const double width = static_cast<double>(size.height) * plate.width / plate.height;
    if (std::abs(height - size.height) <= kHalfPixel ||
        std::abs(width - size.width) <= kHalfPixel) {
      return scaled_to(lens, size);
    }
  }
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("the picture is {}x{}, the lens was calibrated on {}x{}: another shape, so "
                  "cropped, padded or squeezed; bring it to the calibrated frame first",
                  size.width,
                  size.height,
                  plate.width,
                  plate.height));
}

}  // namespace trueplate::lens
