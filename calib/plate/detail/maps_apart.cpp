#include "calib/plate/detail/maps_apart.h"

#include <Eigen/Dense>
#include <cmath>
#include <vector>

#include "calib/fit/detail/map_uncertainty.h"

namespace trueplate::plate::detail {
namespace {

/// A plate point as both lenses straighten it, and how the first bends changes there.
struct Sight {
  Point2d straight;
  Point2d other;
  Eigen::Matrix2d plate_by_straight;
};

/// Central differences of the map from the straightened picture to the plate.
std::optional<Eigen::Matrix2d> bending_at(const lens::Lens& lens, const Point2d& p_straight_px) {
  constexpr double kStepPx = 0.01;
  Eigen::Matrix2d bending;
  for (int axis = 0; axis < 2; ++axis) {
    const Point2d step = kStepPx * Point2d::Unit(axis);
    const auto ahead = lens::distort_px(lens, p_straight_px + step);
    const auto behind = lens::distort_px(lens, p_straight_px - step);
    if (!ahead || !behind) return std::nullopt;
    bending.col(axis) = (*ahead - *behind) / (2.0 * kStepPx);
  }
  return bending;
}

std::optional<Sight> sight_at(const lens::Lens& lens,
                              const lens::Lens& other,
                              const Point2d& p_plate_px) {
  const auto straight = lens::undistort_px(lens, p_plate_px);
  const auto by_other = lens::undistort_px(other, p_plate_px);
  if (!straight || !by_other) return std::nullopt;
  const std::optional<Eigen::Matrix2d> bending = bending_at(lens, *straight);
  if (!bending) return std::nullopt;
  return Sight{*straight, *by_other, *bending};
}

/// By scale x, shift x, scale y, shift y: what they move a plate point.
Eigen::Matrix<double, 2, 4> absorbed(const Sight& sight) {
  Eigen::Matrix<double, 2, 4> moves = Eigen::Matrix<double, 2, 4>::Zero();
  moves(0, 0) = sight.other.x();
  moves(0, 1) = 1.0;
  moves(1, 2) = sight.other.y();
  moves(1, 3) = 1.0;
  return sight.plate_by_straight * moves;
}

}  // namespace

std::optional<MapsApart> maps_apart(const lens::Lens& lens, const lens::Lens& other) {
  Eigen::Matrix4d normal = Eigen::Matrix4d::Zero();
  Eigen::Vector4d right = Eigen::Vector4d::Zero();
  const std::vector<fit::detail::PlateNode> nodes = fit::detail::plate_nodes(lens.plate_size);
  std::vector<Sight> sights;
  for (const fit::detail::PlateNode& node : nodes) {
    const std::optional<Sight> sight = sight_at(lens, other, node.p_plate_px);
    if (!sight) return std::nullopt;
    const Eigen::Matrix<double, 2, 4> moves = absorbed(*sight);
    normal += node.share * moves.transpose() * moves;
    right += node.share * moves.transpose() * (sight->plate_by_straight * sight->straight);
    sights.push_back(*sight);
  }
  const Eigen::Vector4d best = normal.completeOrthogonalDecomposition().solve(right);
  const auto left = [&best](const Sight& sight) {
    return (absorbed(sight) * best - sight.plate_by_straight * sight.straight).norm();
  };
  MapsApart apart;
  for (std::size_t i = 0; i < nodes.size(); ++i) {
    apart.rms_px += nodes[i].share * std::pow(left(sights[i]), 2.0);
  }
  apart.rms_px = std::sqrt(apart.rms_px);
  for (const Point2d& p : fit::detail::plate_grid(lens.plate_size)) {
    const std::optional<Sight> sight = sight_at(lens, other, p);
    if (!sight) return std::nullopt;
    const double here = left(*sight);
    if (here <= apart.max_px) continue;
    apart.max_px = here;
    apart.worst_plate_px = p;
  }
  return apart;
}

}  // namespace trueplate::plate::detail
