#include "tests/support/pass_scene.h"

#include <Eigen/Geometry>
#include <cmath>
#include <limits>

namespace trueplate::tests {
namespace {

/// How far along the ray the card's plane lies (z of the ray is 1, so that this is the depth).
double plane_distance(const Card& card, const Eigen::Vector3d& ray) {
  return card.normal.dot(card.centre) / card.normal.dot(ray);
}

}  // namespace

Eigen::Vector3d PassScene::ray(const Point2d& p_px) const {
  return {(p_px.x() - 0.5 * size.width) / focal_px, (p_px.y() - 0.5 * size.height) / focal_px, 1.0};
}

double PassScene::plane_depth(int card, const Point2d& p_px) const {
  return plane_distance(cards[static_cast<std::size_t>(card)], ray(p_px));
}

Point2d PassScene::in_next_frame(const Point2d& p_px) const {
  const PassSample seen = at(p_px);
  const Card& card = cards[static_cast<std::size_t>(seen.card)];
  const double angle = card.turn_rad.norm();
  Eigen::Vector3d moved = seen.position - card.centre;
  if (angle > 0.0) moved = Eigen::AngleAxisd(angle, card.turn_rad / angle) * moved;
  moved += card.centre + card.shift;
  return {focal_px * moved.x() / moved.z() + 0.5 * size.width,
          focal_px * moved.y() / moved.z() + 0.5 * size.height};
}

PassSample PassScene::at(const Point2d& p_px) const {
  const Eigen::Vector3d direction = ray(p_px);
  PassSample sample;
  sample.depth = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < cards.size(); ++i) {
    const double depth = plane_distance(cards[i], direction);
    const Eigen::Vector3d hit = depth * direction;
    if (!(depth > 0.0 && depth < sample.depth) ||
        (hit - cards[i].centre).norm() > cards[i].radius) {
      continue;
    }
    sample.card = static_cast<int>(i);
    sample.id = cards[i].id;
    sample.depth = depth;
    sample.position = hit;
    sample.normal = cards[i].normal;
  }
  return sample;
}

PassScene make_pass_scene(ImageSize size) {
  PassScene scene;
  scene.size = size;
  scene.focal_px = 0.9 * size.width;
  const auto card = [](std::uint32_t id,
                       Eigen::Vector3d centre,
                       Eigen::Vector3d normal,
                       double radius,
                       Eigen::Vector3d shift,
                       Eigen::Vector3d turn_rad,
                       Eigen::Vector3f colour) {
    return Card{id, centre, normal.normalized(), radius, shift, turn_rad, colour};
  };
  // One number needs all 32 bits, and as a float it would be infinite.
  scene.cards = {card(0x7F800000U,
                      {-0.5, -0.3, 2.5},
                      {0.3, 0.1, -1.0},
                      0.45,
                      {0.05, 0.02, 0.0},
                      {0.0, 0.0, 0.08},
                      {1.0F, 0.25F, 0.5F}),
                 card(4000000007U,
                      {0.55, 0.2, 3.0},
                      {-0.5, 0.4, -1.0},
                      0.7,
                      {-0.06, 0.03, 0.1},
                      {0.05, -0.1, 0.0},
                      {1.0F, 0.25F, 0.5F}),
                 card(16777217U,
                      {0.0, 0.1, 4.0},
                      {0.0, -0.8, -1.0},
                      1.0,
                      {0.0, -0.08, -0.05},
                      {0.0, 0.0, -0.05},
                      {1.0F, 0.25F, 0.5F}),
                 card(3U,
                      {0.0, 0.0, 9.0},
                      {0.2, 0.1, -1.0},
                      std::numeric_limits<double>::infinity(),
                      {0.1, 0.05, 0.0},
                      {0.0, 0.0, 0.01},
                      {0.0F, 0.0F, 0.0F})};
  return scene;
}

}  // namespace trueplate::tests
