#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::tests {

/// A flat card, a circle or (radius infinite) a wall, that moves from one frame to the next.
struct Card {
  std::uint32_t id = 0;
  Eigen::Vector3d centre;  // camera frame: x right, y down, z ahead; metres
  Eigen::Vector3d normal;
  double radius = 0.0;
  Eigen::Vector3d shift;     // of the centre, to the next frame
  Eigen::Vector3d turn_rad;  // around the centre, to the next frame
  Eigen::Vector3f colour;
};

/// What a renderer's passes hold at one place of the straight picture.
struct PassSample {
  int card = -1;  // into PassScene::cards
  std::uint32_t id = 0;
  double depth = 0.0;  // z
  Eigen::Vector3d normal;
  Eigen::Vector3d position;
  Point2d motion_px = {0.0, 0.0};  // to the same thing in the next frame, y down
};

/// Cards before a wall, seen by a pinhole camera: every pass is known exactly at every place, by
/// intersecting a ray with planes. Uses none of the code under test.
struct PassScene {
  ImageSize size;
  double focal_px = 0.0;
  std::vector<Card> cards;  // the wall last

  /// At a position in straight pixels from the top-left corner of the display window.
  [[nodiscard]] PassSample at(const Point2d& p_px) const;
  /// The depth of one card's plane there, also beyond the card.
  [[nodiscard]] double plane_depth(int card, const Point2d& p_px) const;
  /// Where a thing seen at p_px is in the next frame, straight pixels.
  [[nodiscard]] Point2d in_next_frame(const Point2d& p_px) const;
  /// Share of a square of side 1 around p_px that cards (not the wall) cover; `map` takes a place
  /// of the square's picture to straight pixels.
  template <class Map>
  [[nodiscard]] double coverage(const Point2d& p_px, const Map& map) const {
    constexpr int kSide = 8;
    int covered = 0;
    for (int i = 0; i < kSide * kSide; ++i) {
      const Point2d offset((i % kSide + 0.5) / kSide - 0.5, (i / kSide + 0.5) / kSide - 0.5);
      if (at(map(p_px + offset)).card + 1 < static_cast<int>(cards.size())) ++covered;
    }
    return covered / static_cast<double>(kSide * kSide);
  }

 private:
  [[nodiscard]] Eigen::Vector3d ray(const Point2d& p_px) const;
};

/// Three cards that overlap, turned this way and that, and a wall; they move by up to about 20
/// pixels.
PassScene make_pass_scene(ImageSize size);

}  // namespace trueplate::tests
