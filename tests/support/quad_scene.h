#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <functional>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::tests {

/// A flat checker in space, in camera axes (x right, y down, z forward). Its squares fade into each
/// other: brightness 0.5 + 0.45 sin(pi u) sin(pi v) with u and v counting squares, so that a
/// rendering has nothing finer than its pixels, and places in it are known to a few thousandths.
struct Quad {
  Eigen::Vector3d corner = Eigen::Vector3d::Zero();
  Eigen::Vector3d edge_u = Eigen::Vector3d::Zero();  // the whole edge
  Eigen::Vector3d edge_v = Eigen::Vector3d::Zero();
  int squares_u = 1;
  int squares_v = 1;
};

/// Quads at several depths before grey. Uses nothing of the project but its image and point types.
class QuadScene {
 public:
  /// Quads enough to fill a view of +-`half_view` at distance 1 (tangents), slanted, some before
  /// others.
  static QuadScene filling(const Point2d& half_view);

  /// Brightness seen from the camera along a ray: that of the nearest quad, else 0.5.
  [[nodiscard]] double brightness(const Eigen::Vector3d& ray) const;

  /// The number of that quad; nullopt where there is none.
  [[nodiscard]] std::optional<std::size_t> quad_at(const Eigen::Vector3d& ray) const;

  /// A place where four squares meet, and the next ones of its quad.
  struct Meeting {
    Eigen::Vector3d place;
    Eigen::Vector3d next_u;
    Eigen::Vector3d next_v;
    std::size_t quad = 0;
  };
  /// Those that no other quad hides.
  [[nodiscard]] std::vector<Meeting> visible_meetings() const;

 private:
  struct Hit {
    double distance = 0.0;  // in lengths of the ray
    std::size_t quad = 0;
    double u = 0.0;  // 0..1 over the edge
    double v = 0.0;
  };
  [[nodiscard]] std::optional<Hit> nearest(const Eigen::Vector3d& ray) const;

  std::vector<Quad> quads_;
};

/// The ray through a place of the picture: from its top-left corner, y down, centre of pixel i at
/// i + 0.5; nullopt where none comes from.
using RayOf = std::function<std::optional<Eigen::Vector3d>(const Point2d& p_px)>;

/// A picture of one channel: each pixel the mean of samples x samples rays through it.
Image<float> ray_cast(const QuadScene& scene, ImageSize size, const RayOf& ray_of, int samples);

/// How far `picture` is shifted against `truth` around a place, by least squares on the pixels
/// within `reach` (Lucas and Kanade, 1981): exact to first order, for shifts well below a pixel.
/// nullopt near the edge, or where there is too little to see.
std::optional<Point2d> shift_px(const Image<float>& picture,
                                const Image<float>& truth,
                                const Point2d& around_px,
                                int reach);

}  // namespace trueplate::tests
