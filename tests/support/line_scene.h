#pragma once

#include <cstdint>
#include <random>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/lens/lens.h"
#include "calib/plate/line_fit.h"
#include "calib/plate/line_set.h"

namespace trueplate::tests {

/// A lens whose formula stands here once more: with d the offset from the centre over the focal
/// length, straight, the plate has centre + focal d (1 + k1 |d|^2 + k2 |d|^4).
struct PlumbLens {
  ImageSize plate_size = {960, 540};
  double focal_px = 900.0;
  Point2d centre_px = {480.0, 270.0};
  double k1 = 0.0;
  double k2 = 0.0;

  [[nodiscard]] Point2d bent(const Point2d& p_straight_px) const;
  [[nodiscard]] Point2d straight(const Point2d& p_bent_px) const;  // Newton
  [[nodiscard]] lens::Lens as_lens() const;
};

/// Shapes of a world seen straight on, in pixels of the straight picture. Later ones cover earlier.
struct Slab {  // a rectangle, its long edges straight
  Point2d middle = {0.0, 0.0};
  double length = 0.0;
  double width = 0.0;
  double angle_rad = 0.0;
  double grey = 0.0;
};
struct Round {  // a disc: nothing about it is straight
  Point2d middle = {0.0, 0.0};
  double radius = 0.0;
  double grey = 0.0;
};
struct World {
  double grey = 0.5;
  std::vector<Slab> slabs;
  std::vector<Round> rounds;
};

/// Beams, frames and stripes that cover each other, and discs before them.
struct WorldPlan {
  double reach = 1.0;  // as many times as large as the plate, since a lens draws it together
  int num_rounds = 0;
  std::uint32_t seed = 1;
};
World world_of(ImageSize plate, const WorldPlan& plan);

struct PlateLook {
  double blur_px = 0.8;  // standard deviation of the Gaussian, pixel area not included
  double noise = 0.0;
  int bits = 8;  // 0 leaves the numbers alone
  std::uint32_t seed = 1;
};

/// The world photographed: every edge drawn with the coverage of a third of a pixel.
Image<float> photograph(const World& world, const PlumbLens& lens, const PlateLook& look);

/// `46 of 53 lines, radial-tangential`.
std::string fit_text(const plate::LineFit& fit);

/// The edges that are found in a picture.
plate::LineSet lines_in(const Image<float>& picture);

/// Points seen along straight lines of the world that cross the plate.
struct SampledLines {
  int num_lines = 12;
  int points_per_line = 40;
  double noise_px = 0.1;  // a coordinate
  double least_length_px = 250.0;
};
plate::LineSet sample_lines(const PlumbLens& lens,
                            const SampledLines& wanted,
                            std::mt19937& random);

}  // namespace trueplate::tests
