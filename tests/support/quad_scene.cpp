#include "tests/support/quad_scene.h"

#include <Eigen/LU>
#include <cmath>
#include <numbers>

namespace trueplate::tests {

QuadScene QuadScene::filling(const Point2d& half_view) {
  QuadScene scene;
  const double w = half_view.x();
  const double h = half_view.y();
  const auto add = [&](Eigen::Vector3d corner, Eigen::Vector3d u, Eigen::Vector3d v, int n, int m) {
    scene.quads_.push_back(
        {.corner = corner, .edge_u = u, .edge_v = v, .squares_u = n, .squares_v = m});
  };
  // A back wall, and a floor that comes towards the camera.
  add({-9 * w, -9 * h, 8.0}, {18 * w, 0.4, 0.3}, {0.2, 18 * h, -0.4}, 34, 24);
  add({-3 * w, 1.2 * h, 1.0}, {6 * w, 0, 0}, {0, 0.6 * h, 1.5}, 20, 3);
  // Three boards in the air, slanted, the middle one nearest.
  add({-2.6 * w, -2.4 * h, 3.2}, {1.9 * w, 0.2 * h, 0.9}, {-0.2 * w, 2.1 * h, 0.3}, 10, 8);
  add({0.9 * w, -2.3 * h, 3.0}, {1.7 * w, -0.2 * h, -0.4}, {0.1 * w, 2.2 * h, 0.7}, 9, 8);
  add({-0.55 * w, -0.8 * h, 1.8}, {1.0 * w, 0.1 * h, 0.35}, {-0.1 * w, 1.1 * h, -0.2}, 9, 7);
  return scene;
}

std::optional<QuadScene::Hit> QuadScene::nearest(const Eigen::Vector3d& ray) const {
  std::optional<Hit> best;
  for (std::size_t i = 0; i < quads_.size(); ++i) {
    const Quad& quad = quads_[i];
    // corner + u edge_u + v edge_v = t ray
    Eigen::Matrix3d system;
    system << quad.edge_u, quad.edge_v, -ray;
    const Eigen::Vector3d found = system.inverse() * -quad.corner;
    const double u = found.x();
    const double v = found.y();
    const double t = found.z();
    if (!(u >= 0.0 && u <= 1.0 && v >= 0.0 && v <= 1.0 && t > 0.0)) continue;
    if (!best || t < best->distance) best = Hit{.distance = t, .quad = i, .u = u, .v = v};
  }
  return best;
}

double QuadScene::brightness(const Eigen::Vector3d& ray) const {
  const std::optional<Hit> hit = nearest(ray);
  if (!hit) return 0.5;
  const Quad& quad = quads_[hit->quad];
  return 0.5 + 0.45 * std::sin(std::numbers::pi * hit->u * quad.squares_u) *
                   std::sin(std::numbers::pi * hit->v * quad.squares_v);
}

std::optional<std::size_t> QuadScene::quad_at(const Eigen::Vector3d& ray) const {
  const std::optional<Hit> hit = nearest(ray);
  return hit ? std::optional(hit->quad) : std::nullopt;
}

std::vector<QuadScene::Meeting> QuadScene::visible_meetings() const {
  std::vector<Meeting> meetings;
  for (std::size_t i = 0; i < quads_.size(); ++i) {
    const Quad& quad = quads_[i];
    for (int a = 1; a < quad.squares_u; ++a) {
      for (int b = 1; b < quad.squares_v; ++b) {
        const Eigen::Vector3d place =
            quad.corner + quad.edge_u * a / quad.squares_u + quad.edge_v * b / quad.squares_v;
        if (place.z() <= 0.0) continue;
        if (quad_at(place) != i) continue;
        meetings.push_back({.place = place,
                            .next_u = place + quad.edge_u / quad.squares_u,
                            .next_v = place + quad.edge_v / quad.squares_v,
                            .quad = i});
      }
    }
  }
  return meetings;
}

Image<float> ray_cast(const QuadScene& scene, ImageSize size, const RayOf& ray_of, int samples) {
  Image<float> picture(size.width, size.height, 1);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      double sum = 0.0;
      for (int j = 0; j < samples; ++j) {
        for (int i = 0; i < samples; ++i) {
          const auto ray = ray_of({x + (i + 0.5) / samples, y + (j + 0.5) / samples});
          sum += ray ? scene.brightness(*ray) : 0.5;
        }
      }
      picture.at(x, y) = static_cast<float>(sum / (samples * samples));
    }
  }
  return picture;
}

std::optional<Point2d> shift_px(const Image<float>& picture,
                                const Image<float>& truth,
                                const Point2d& around_px,
                                int reach) {
  const int x0 = static_cast<int>(std::floor(around_px.x())) - reach;
  const int y0 = static_cast<int>(std::floor(around_px.y())) - reach;
  const int side = 2 * reach + 1;
  if (x0 < 1 || y0 < 1 || x0 + side >= truth.width() || y0 + side >= truth.height()) {
    return std::nullopt;
  }
  Eigen::Matrix2d normal = Eigen::Matrix2d::Zero();
  Point2d right = Point2d::Zero();
  for (int y = y0; y < y0 + side; ++y) {
    for (int x = x0; x < x0 + side; ++x) {
      const Point2d gradient(0.5 * (truth.at(x + 1, y) - truth.at(x - 1, y)),
                             0.5 * (truth.at(x, y + 1) - truth.at(x, y - 1)));
      const double difference = picture.at(x, y) - truth.at(x, y);
      normal += gradient * gradient.transpose();
      right -= difference * gradient;
    }
  }
  if (normal.determinant() < 0.01) return std::nullopt;
  return Point2d(normal.inverse() * right);
}

}  // namespace trueplate::tests
