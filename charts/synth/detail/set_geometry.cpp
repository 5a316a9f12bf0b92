#include "charts/synth/detail/set_geometry.h"

#include <array>
#include <cmath>
#include <limits>
#include <utility>

namespace trueplate::synth::detail {
namespace {

/// Slab test (Kay and Kajiya, 1986): where the ray enters and leaves an upright box around the
/// origin, and the axis of the face it enters through.
struct Crossing {
  double t_enter, t_leave;
  int axis_enter, axis_leave;
};

Crossing cross(const Vector3d& origin, const Vector3d& direction, const Vector3d& half) {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  Crossing result{-kInfinity, kInfinity, 0, 0};
  for (int axis = 0; axis < 3; ++axis) {
    double near = -kInfinity;
    double far = kInfinity;
    if (direction[axis] == 0.0) {
      if (std::abs(origin[axis]) > half[axis]) return {1.0, -1.0, 0, 0};
    } else {
      const double inverse = 1.0 / direction[axis];
      near = (-half[axis] - origin[axis]) * inverse;
      far = (half[axis] - origin[axis]) * inverse;
      if (near > far) std::swap(near, far);
    }
    if (near > result.t_enter) {
      result.t_enter = near;
      result.axis_enter = axis;
    }
    if (far < result.t_leave) {
      result.t_leave = far;
      result.axis_leave = axis;
    }
  }
  return result;
}

/// The axes along which a face is described: walls by (horizontal, up), floors by (x, z).
constexpr std::array<std::pair<int, int>, 3> kFaceAxes{{{2, 1}, {0, 2}, {0, 1}}};

}  // namespace

Vector3d Box::to_local(const Vector3d& v) const {
  const double c = cos_turn;
  const double s = sin_turn;
  return {c * v.x() - s * v.z(), v.y(), s * v.x() + c * v.z()};
}

Vector3d Box::to_set(const Vector3d& v) const {
  const double c = cos_turn;
  const double s = sin_turn;
  return {c * v.x() + s * v.z(), v.y(), -s * v.x() + c * v.z()};
}

std::optional<Hit> intersect(const Ray& ray, const Box& box, std::uint32_t id) {
  const Vector3d origin = box.to_local(ray.origin - box.centre);
  const Vector3d direction = box.to_local(ray.direction);
  const Crossing c = cross(origin, direction, box.half);
  if (!(c.t_enter > 0.0) || c.t_enter >= c.t_leave) return std::nullopt;
  const auto [u, v] = kFaceAxes[static_cast<std::size_t>(c.axis_enter)];
  const Vector3d place = origin + c.t_enter * direction;
  const double side = direction[c.axis_enter] > 0.0 ? -1.0 : 1.0;
  return Hit{
      .t = c.t_enter,
      .position = ray.origin + c.t_enter * ray.direction,
      .normal = box.to_set(side * Vector3d::Unit(c.axis_enter)),
      .u_axis = box.to_set(Vector3d::Unit(u)),
      .v_axis = box.to_set(Vector3d::Unit(v)),
      .uv = {place[u], place[v]},
      .half = {box.half[u], box.half[v]},
      .material = &box.material,
      .id = id * 8U + static_cast<std::uint32_t>(c.axis_enter) * 2U + (side > 0.0 ? 1U : 0U)};
}

std::optional<Hit> intersect(const Ray& ray, const Card& card, std::uint32_t id) {
  const Vector3d normal = card.x_axis.cross(card.y_axis);
  const double along = normal.dot(ray.direction);
  if (along == 0.0) return std::nullopt;
  const double t = normal.dot(card.centre - ray.origin) / along;
  if (!(t > 0.0)) return std::nullopt;
  const Vector3d place = ray.origin + t * ray.direction - card.centre;
  const Point2d uv(place.dot(card.x_axis), place.dot(card.y_axis));
  if (std::abs(uv.x()) > card.half.x() || std::abs(uv.y()) > card.half.y()) return std::nullopt;
  return Hit{.t = t,
             .position = card.centre + place,
             .normal = along < 0.0 ? normal : Vector3d(-normal),
             .u_axis = card.x_axis,
             .v_axis = card.y_axis,
             .uv = uv,
             .half = card.half,
             .material = &card.material,
             .id = id * 8U};
}

std::optional<Hit> intersect(const Ray& ray, const Room& room) {
  const Vector3d centre = 0.5 * (room.low + room.high);
  const Vector3d half = 0.5 * (room.high - room.low);
  const Vector3d origin = ray.origin - centre;
  const Crossing c = cross(origin, ray.direction, half);
  if (!(c.t_leave > 0.0) || c.t_enter >= c.t_leave) return std::nullopt;
  const auto [u, v] = kFaceAxes[static_cast<std::size_t>(c.axis_leave)];
  const Vector3d place = origin + c.t_leave * ray.direction;
  const bool at_high = ray.direction[c.axis_leave] > 0.0;
  const std::array<const Material*, 6> materials{
      &room.left, &room.right, &room.floor, &room.ceiling, &room.back, &room.front};
  const std::size_t face = static_cast<std::size_t>(c.axis_leave) * 2 + (at_high ? 1 : 0);
  return Hit{.t = c.t_leave,
             .position = ray.origin + c.t_leave * ray.direction,
             .normal = (at_high ? -1.0 : 1.0) * Vector3d::Unit(c.axis_leave),
             .u_axis = Vector3d::Unit(u),
             .v_axis = Vector3d::Unit(v),
             .uv = {place[u], place[v]},
             .half = {half[u], half[v]},
             .material = materials[face],
             .id = static_cast<std::uint32_t>(face)};
}

bool blocks(const Ray& ray, const Box& box, double t_min) {
  const Crossing c =
      cross(box.to_local(ray.origin - box.centre), box.to_local(ray.direction), box.half);
  return c.t_enter > t_min && c.t_enter < c.t_leave;
}

}  // namespace trueplate::synth::detail
