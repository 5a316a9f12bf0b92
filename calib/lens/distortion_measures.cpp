#include "calib/lens/distortion_measures.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <span>

namespace trueplate::lens {
namespace {

double image_height_px(const Lens& lens, const Point2d& p_px) {
  const Point2d from_axis = p_px - lens.principal_point_px;
  return std::hypot(from_axis.x() * lens.pixel_aspect, from_axis.y());
}

std::array<Point2d, 4> corners_of(const Lens& lens) {
  const double w = lens.plate_size.width;
  const double h = lens.plate_size.height;
  return {{{0.0, 0.0}, {w, 0.0}, {0.0, h}, {w, h}}};
}

std::optional<PointDistortion> largest_distortion(const Lens& lens,
                                                  std::span<const Point2d> points_px) {
  std::optional<PointDistortion> largest;
  for (const Point2d& p_px : points_px) {
    const std::optional<PointDistortion> here = point_distortion(lens, p_px);
    if (!here) return std::nullopt;
    if (!largest || std::abs(here->percent()) > std::abs(largest->percent())) largest = here;
  }
  return largest;
}

/// Where on the plate column x_px the straight line of height y_straight_px is imaged. Secant
/// method; the straightened height grows with the plate's, nearly one to one.
std::optional<double> imaged_height_px(const Lens& lens,
                                       double x_px,
                                       double y_start_px,
                                       double y_straight_px) {
  constexpr int kMaxSteps = 50;
  const double tolerance_px = 1e-12 * lens.plate_size.height;
  const auto miss = [&](double y_px) -> std::optional<double> {
    const std::optional<Point2d> p = undistort_px(lens, {x_px, y_px});
    if (!p) return std::nullopt;
    return p->y() - y_straight_px;
  };
  double previous = y_start_px;
  const std::optional<double> first_miss = miss(previous);
  if (!first_miss) return std::nullopt;
  double previous_miss = *first_miss;
  double current = previous - previous_miss;
  for (int step = 0; step < kMaxSteps; ++step) {
    if (std::abs(current - previous) <= tolerance_px) return current;
    const std::optional<double> current_miss = miss(current);
    if (!current_miss) return std::nullopt;
    const double slope = (*current_miss - previous_miss) / (current - previous);
    if (!(slope > 0.0)) {
      // Rounding, once the line is met; anything else is a lens without a usable inverse here.
      return std::abs(*current_miss) <= 1e3 * tolerance_px ? std::optional(current) : std::nullopt;
    }
    previous = current;
    previous_miss = *current_miss;
    current -= *current_miss / slope;
  }
  return std::nullopt;
}

double degrees(double radians) { return radians * 180.0 / std::numbers::pi; }

double degrees_between(double low, double high) {
  return degrees(std::atan(high) - std::atan(low));
}

}  // namespace

std::optional<PointDistortion> point_distortion(const Lens& lens, const Point2d& p_plate_px) {
  const std::optional<Point2d> p_straight_px = undistort_px(lens, p_plate_px);
  if (!p_straight_px) return std::nullopt;
  const PointDistortion distortion{.ideal_height_px = image_height_px(lens, *p_straight_px),
                                   .actual_height_px = image_height_px(lens, p_plate_px)};
  if (!(distortion.ideal_height_px > 0.0) || !std::isfinite(distortion.percent())) {
    return std::nullopt;
  }
  return distortion;
}

FrameDistortion frame_distortion(const Lens& lens) {
  const double w = lens.plate_size.width;
  const double h = lens.plate_size.height;
  const std::array<Point2d, 2> sides{{{0.0, h / 2}, {w, h / 2}}};
  const std::array<Point2d, 2> top_and_bottom{{{w / 2, 0.0}, {w / 2, h}}};
  return {.corner = largest_distortion(lens, corners_of(lens)),
          .side_edge = largest_distortion(lens, sides),
          .top_edge = largest_distortion(lens, top_and_bottom)};
}

Point2d most_distorted_corner(const Lens& lens) {
  Point2d most(0.0, 0.0);
  double percent = 0.0;
  for (const Point2d& corner : corners_of(lens)) {
    const std::optional<PointDistortion> here = point_distortion(lens, corner);
    if (!here || std::abs(here->percent()) <= percent) continue;
    percent = std::abs(here->percent());
    most = corner;
  }
  return most;
}

std::optional<double> mean_corner_percent(const Lens& lens) {
  const std::array<Point2d, 4> corners = corners_of(lens);
  double sum = 0.0;
  for (const Point2d& corner : corners) {
    const std::optional<PointDistortion> here = point_distortion(lens, corner);
    if (!here) return std::nullopt;
    sum += here->percent();
  }
  return sum / corners.size();
}

std::optional<PictureHeightDistortion> picture_height_distortion(const Lens& lens) {
  const double w = lens.plate_size.width;
  const double h = lens.plate_size.height;
  const std::optional<Point2d> top = undistort_px(lens, {w / 2, 0.0});
  const std::optional<Point2d> bottom = undistort_px(lens, {w / 2, h});
  if (!top || !bottom) return std::nullopt;
  double sum_px = 0.0;
  for (const double x_px : {0.0, w}) {
    const std::optional<double> y_top = imaged_height_px(lens, x_px, 0.0, top->y());
    const std::optional<double> y_bottom = imaged_height_px(lens, x_px, h, bottom->y());
    if (!y_top || !y_bottom) return std::nullopt;
    sum_px += *y_bottom - *y_top;
  }
  const double smia_percent = 100.0 * (sum_px / 2.0 - h) / h;
  return PictureHeightDistortion{.ebu_percent = smia_percent / 2.0, .smia_percent = smia_percent};
}

std::optional<double> overscan_factor(const Lens& lens) {
  // Straightening is one-to-one and continuous, so it takes the border to the border of the result.
  constexpr int kMaxSamples = 4096;
  const double w = lens.plate_size.width;
  const double h = lens.plate_size.height;
  double factor = 1.0;
  const auto extend_to = [&](double x_px, double y_px) {
    const std::optional<Point2d> p = undistort_px(lens, {x_px, y_px});
    if (!p) return false;
    factor = std::max({factor, std::abs(2.0 * p->x() / w - 1.0), std::abs(2.0 * p->y() / h - 1.0)});
    return true;
  };
  const int num_samples =
      std::clamp(std::max(lens.plate_size.width, lens.plate_size.height), 2, kMaxSamples);
  for (int i = 0; i <= num_samples; ++i) {
    const double share = static_cast<double>(i) / num_samples;
    if (!extend_to(share * w, 0.0) || !extend_to(share * w, h) || !extend_to(0.0, share * h) ||
        !extend_to(w, share * h)) {
      return std::nullopt;
    }
  }
  return factor;
}

FieldOfView straight_field_of_view(const Lens& lens) {
  const Point2d low = ideal_from_px(lens, {0.0, 0.0});
  const Point2d high = ideal_from_px(lens, Point2d(lens.plate_size.width, lens.plate_size.height));
  return {.horizontal_deg = degrees_between(low.x(), high.x()),
          .vertical_deg = degrees_between(low.y(), high.y())};
}

std::optional<FieldOfView> plate_field_of_view(const Lens& lens) {
  const Point2d& axis_px = lens.principal_point_px;
  const auto ideal = [&](double x_px, double y_px) {
    return undistort(lens.model, ideal_from_px(lens, {x_px, y_px}));
  };
  const std::optional<Point2d> left = ideal(0.0, axis_px.y());
  const std::optional<Point2d> right = ideal(lens.plate_size.width, axis_px.y());
  const std::optional<Point2d> top = ideal(axis_px.x(), 0.0);
  const std::optional<Point2d> bottom = ideal(axis_px.x(), lens.plate_size.height);
  if (!left || !right || !top || !bottom) return std::nullopt;
  return FieldOfView{.horizontal_deg = degrees_between(left->x(), right->x()),
                     .vertical_deg = degrees_between(top->y(), bottom->y())};
}

}  // namespace trueplate::lens
