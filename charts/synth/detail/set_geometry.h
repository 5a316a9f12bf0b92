#pragma once

#include <Eigen/Geometry>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "charts/synth/detail/set_material.h"

namespace trueplate::synth::detail {

using Eigen::Vector3d;

struct Ray {
  Vector3d origin;     // set coordinates, m
  Vector3d direction;  // any length; t counts in it
};

/// A box, turned about the vertical axis only.
struct Box {
  Vector3d centre;
  Vector3d half;
  Material material;
  double cos_turn = 1.0;  // of the angle about the vertical axis
  double sin_turn = 0.0;

  [[nodiscard]] Vector3d to_local(const Vector3d& v) const;  // directions
  [[nodiscard]] Vector3d to_set(const Vector3d& v) const;
};

/// A flat square of which a pattern decides what is opaque: a paper target on a surface, or a CG
/// ring parallel to the image plane.
struct Card {
  std::string name;
  Vector3d centre;
  Vector3d x_axis, y_axis;  // unit length
  Point2d half;             // m along the axes
  Material material;
};

/// Where a ray ends: the place, its surface, and the place on that surface in metres.
struct Hit {
  double t;
  Vector3d position;
  Vector3d normal;          // towards the origin of the ray
  Vector3d u_axis, v_axis;  // unit length, of the surface
  Point2d uv;               // from the centre of the face
  Point2d half;             // half size of the face along u and v
  const Material* material;
  std::uint32_t id;  // of primitive and face; the same on the whole face
};

/// The inside of the building.
struct Room {
  Vector3d low, high;
  Material floor, ceiling, left, right, back, front;
};

struct SetGeometry {
  Room room;
  std::vector<Box> boxes;
  std::vector<Card> cards;
};

std::optional<Hit> intersect(const Ray& ray, const Box& box, std::uint32_t id);
std::optional<Hit> intersect(const Ray& ray, const Card& card, std::uint32_t id);

/// The wall, floor or ceiling through which a ray leaves the room; nullopt when it is never inside.
std::optional<Hit> intersect(const Ray& ray, const Room& room);

/// Whether a ray meets the box at t > t_min.
bool blocks(const Ray& ray, const Box& box, double t_min);

}  // namespace trueplate::synth::detail
