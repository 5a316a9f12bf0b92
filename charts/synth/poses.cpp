#include "charts/synth/poses.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <optional>
#include <string_view>

#include "charts/synth/detail/checks.h"

namespace trueplate::synth {
namespace {

/// What the person who holds the board is told.
struct Placement {
  std::string_view name;
  double about_x_deg, about_y_deg, roll_deg;
  double fill;                // of the frame's width or height, whichever is reached first
  double anchor_x, anchor_y;  // -1 against the left or top edge, 0 centred, 1 right or bottom
};

constexpr std::array<Placement, kMaxPoses> kPlacements{{
    {"square-on", 0, 0, 0, 1.00, 0, 0},
    {"turned-left", 4, 32, 2, 1.00, -0.5, 0},
    {"turned-right", -5, -32, -3, 1.00, 0.5, 0},
    {"tipped-back", 33, 3, -2, 1.00, 0, 0},
    {"tipped-forward", -33, -4, 3, 1.00, 0, 0},
    {"top-left", 14, -17, 0, 0.45, -1, -1},
    {"top-right", 14, 17, 0, 0.45, 1, -1},
    {"bottom-left", -14, -17, 0, 0.45, -1, 1},
    {"bottom-right", -14, 17, 0, 0.45, 1, 1},
    {"steep-left", 10, 44, 12, 0.95, 0.5, 0},
    {"steep-back", 43, -9, -14, 0.95, 0, 0},
    {"upright", -22, 20, 90, 1.00, -0.5, 0},
    {"left-edge", 6, 28, 3, 0.7, -1, 0},
    {"right-edge", -7, -27, -3, 0.7, 1, 0},
    {"top-edge", -26, 5, 3, 0.55, 0, -1},
    {"bottom-edge", 27, -6, -3, 0.55, 0, 1},
    {"diagonal", 24, -26, 40, 0.98, 0, 0},
    {"far", -20, 24, -6, 0.35, 0.2, -0.1},
}};

Eigen::Matrix3d rotation(const Placement& placement) {
  constexpr double kRad = std::numbers::pi / 180.0;
  return (Eigen::AngleAxisd(placement.about_x_deg * kRad, Eigen::Vector3d::UnitX()) *
          Eigen::AngleAxisd(placement.about_y_deg * kRad, Eigen::Vector3d::UnitY()) *
          Eigen::AngleAxisd(placement.roll_deg * kRad, Eigen::Vector3d::UnitZ()))
      .toRotationMatrix();
}

/// The outer edge of the board, dense enough that the bulge between two points does not matter.
std::vector<Eigen::Vector3d> outline_mm(const target::Chart& chart, double border_squares) {
  constexpr int kPointsPerSide = 32;
  const double left = -1.0 - border_squares;
  const double right = chart.columns + border_squares;
  const double bottom = chart.rows + border_squares;
  std::vector<Eigen::Vector3d> points;
  for (int i = 0; i <= kPointsPerSide; ++i) {
    const double t = static_cast<double>(i) / kPointsPerSide;
    const double x = left + t * (right - left);
    const double y = left + t * (bottom - left);
    points.emplace_back(x, left, 0.0);
    points.emplace_back(x, bottom, 0.0);
    points.emplace_back(left, y, 0.0);
    points.emplace_back(right, y, 0.0);
  }
  for (Eigen::Vector3d& point : points) point *= chart.pitch_mm;
  return points;
}

/// Smallest upright rectangle on the plate.
struct Bounds {
  Point2d low = Point2d::Constant(std::numeric_limits<double>::infinity());
  Point2d high = -low;
};

std::optional<Bounds> bounds_px(const lens::Lens& lens,
                                const Eigen::Isometry3d& camera_from_chart,
                                const std::vector<Eigen::Vector3d>& points_mm) {
  Bounds bounds;
  for (const Eigen::Vector3d& point : points_mm) {
    const Eigen::Vector3d p = camera_from_chart * point;
    if (!(p.z() > 0.0)) return std::nullopt;
    const std::optional<Point2d> px =
        lens::distort_px(lens, lens::px_from_ideal(lens, p.head<2>() / p.z()));
    if (!px) return std::nullopt;
    bounds.low = bounds.low.cwiseMin(*px);
    bounds.high = bounds.high.cwiseMax(*px);
  }
  return bounds;
}

/// Moves the board until it has the size and the place that are asked for, by correcting distance
/// and offset in turn. nullopt when that does not settle.
std::optional<Eigen::Isometry3d> place(const lens::Lens& lens,
                                       const target::Chart& chart,
                                       const PoseOptions& options,
                                       const Placement& placement) {
  const std::vector<Eigen::Vector3d> outline = outline_mm(chart, options.border_squares);
  const Eigen::Vector3d middle(
      0.5 * (chart.columns - 1) * chart.pitch_mm, 0.5 * (chart.rows - 1) * chart.pitch_mm, 0.0);
  const double diagonal = 2.0 * (outline.front() - middle).norm();
  const Point2d margin = Point2d::Constant(options.margin_px);
  const Point2d available = Point2d(lens.plate_size.width, lens.plate_size.height) - 2.0 * margin;
  if (!(available.minCoeff() > 0.0)) return std::nullopt;

  Eigen::Vector3d centre(0.0, 0.0, 3.0 * diagonal);
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  pose.linear() = rotation(placement);
  constexpr int kMaxSteps = 400;
  for (int step = 0; step < kMaxSteps; ++step) {
    pose.translation() = centre - pose.linear() * middle;
    const std::optional<Bounds> bounds = bounds_px(lens, pose, outline);
    if (!bounds) {  // stepped out of the lens's domain: back towards the axis, and away
      centre.head<2>() *= 0.8;
      centre.z() *= 1.2;
      continue;
    }
    const Point2d size = bounds->high - bounds->low;
    const double growth = size.cwiseQuotient(available).maxCoeff() / placement.fill;
    const Point2d room = available - size;
    const Point2d anchor(placement.anchor_x, placement.anchor_y);
    const Point2d wanted_low = margin + 0.5 * room.cwiseProduct(Point2d::Ones() + anchor);
    const Point2d shift = wanted_low - bounds->low;
    if (std::abs(growth - 1.0) < 1e-5 && shift.cwiseAbs().maxCoeff() < 0.01) return pose;
    centre.head<2>() += 0.7 * centre.z() * shift.cwiseQuotient(lens.focal_px);
    // The offset in pixels stays when the distance changes.
    centre *= std::clamp(std::pow(growth, 0.7), 0.7, 1.4);
  }
  return std::nullopt;
}

}  // namespace

Result<std::vector<ChartPose>> make_poses(const lens::Lens& lens,
                                          const target::Chart& chart,
                                          const PoseOptions& options) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  if (Result<void> checked = detail::check_chart(chart); !checked) return fail(checked.error());
  Result<void> checked = detail::check_range("poses", "count", options.count, 1, kMaxPoses);
  if (checked) {
    checked = detail::check_range("poses", "border in squares", options.border_squares, 0, 1000);
  }
  if (checked) {
    const int shorter = std::min(lens.plate_size.width, lens.plate_size.height);
    checked = detail::check_range("poses", "margin in pixels", options.margin_px, 0, shorter / 4.0);
  }
  if (!checked) return fail(checked.error());

  std::vector<ChartPose> poses;
  for (int i = 0; i < options.count; ++i) {
    const Placement& placement = kPlacements[static_cast<std::size_t>(i)];
    const std::optional<Eigen::Isometry3d> pose = place(lens, chart, options, placement);
    if (!pose) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("poses: the board cannot be placed '{}' on a plate of {}x{} pixels; "
                              "the lens has no image of a board that large there",
                              placement.name,
                              lens.plate_size.width,
                              lens.plate_size.height));
    }
    poses.push_back({std::string(placement.name), *pose});
  }
  return poses;
}

}  // namespace trueplate::synth
