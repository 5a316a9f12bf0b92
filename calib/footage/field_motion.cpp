#include "calib/footage/field_motion.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace trueplate::footage {
namespace {

/// A slope counts as along the row when that across is smaller by this factor.
constexpr double kUpright = 2.0;
/// Slopes below this share of the picture's steep ones are noise or shading.
constexpr double kLeastSlopeShare = 0.25;
constexpr double kSteepShare = 0.99;
constexpr int kFewestPixels = 16;  // of a block, for each of the two kinds of edge
constexpr int kLeastBlockPx = 64;
constexpr int kBlocksAcross = 8;
constexpr int kFewestParts = 4;

/// Slopes and the row's difference at one pixel.
struct Slopes {
  double along = 0.0;
  double across = 0.0;
  double difference = 0.0;  // to the mean of the rows above and below
};

Slopes slopes_at(ImageView<const float> luma, int x, int y) {
  const float* above = luma.row(y - 1) + x;
  const float* here = luma.row(y) + x;
  const float* below = luma.row(y + 1) + x;
  // The same weight for both fields, so that the slope is that of the picture between them.
  const auto both = [&](int i) { return 0.5 * here[i] + 0.25 * (above[i] + below[i]); };
  return {.along = 0.5 * (both(1) - both(-1)),
          .across = 0.5 * (below[0] - above[0]),
          .difference = here[0] - 0.5 * (above[0] + below[0])};
}

/// Calls body(x, y) for the pixels of a window that have neighbours on all sides.
template <class Body>
void each_pixel(ImageView<const float> luma, const Window& window, const Body& body) {
  const int last_y = std::min(window.y + window.height, luma.height - 1);
  const int last_x = std::min(window.x + window.width, luma.width - 1);
  for (int y = std::max(1, window.y); y < last_y; ++y) {
    for (int x = std::max(1, window.x); x < last_x; ++x) body(x, y);
  }
}

/// The slope that few pixels exceed; 0 for a picture without any.
double steep_slope(ImageView<const float> luma, const Window& within) {
  std::vector<double> slopes;
  each_pixel(luma, within, [&](int x, int y) {
    if ((x + 7 * y) % 5 != 0) return;
    const double slope = std::abs(slopes_at(luma, x, y).along);
    if (std::isfinite(slope)) slopes.push_back(slope);
  });
  if (slopes.empty()) return 0.0;
  const auto steep = slopes.begin() + static_cast<std::ptrdiff_t>(
                                          kSteepShare * static_cast<double>(slopes.size() - 1));
  std::nth_element(slopes.begin(), steep, slopes.end());
  return *steep;
}

/// Least squares of difference = motion times slope.
struct SlopeFit {
  double slope_squares = 0.0;
  double products = 0.0;
  int count = 0;

  void add(double slope, double difference) {
    products += difference * slope;
    slope_squares += slope * slope;
    ++count;
  }
  [[nodiscard]] double motion() const { return products / slope_squares; }
};

/// The motion in one block; nullopt without enough upright edges of both kinds.
std::optional<double> block_motion(ImageView<const float> luma,
                                   const Window& block,
                                   double least_slope) {
  SlopeFit rising;
  SlopeFit falling;
  each_pixel(luma, block, [&](int x, int y) {
    const Slopes at = slopes_at(luma, x, y);
    if (!std::isfinite(at.difference) || !(std::abs(at.along) >= least_slope) ||
        std::abs(at.along) < kUpright * std::abs(at.across)) {
      return;
    }
    // With m the motion, one field shows f(x - m / 2), the other f(x + m / 2): the difference is
    // -m f' in the rows of the first and +m f' in the others.
    (at.along > 0.0 ? rising : falling).add(at.along, y % 2 == 0 ? at.difference : -at.difference);
  });
  if (rising.count < kFewestPixels || falling.count < kFewestPixels) return std::nullopt;
  // Moving edges of both kinds agree; where rows differ for another reason they contradict.
  const double first = rising.motion();
  const double second = falling.motion();
  if (first * second <= 0.0) return 0.0;
  return std::min(std::abs(first), std::abs(second));
}

}  // namespace

std::optional<FieldMotion> field_motion(ImageView<const float> luma, const Window& within) {
  const double least_slope = kLeastSlopeShare * steep_slope(luma, within);
  if (!(least_slope > 0.0)) return std::nullopt;
  const int side = std::max(kLeastBlockPx, std::max(within.width, within.height) / kBlocksAcross);
  std::vector<double> motions;
  for (int y = within.y; y < within.y + within.height; y += side) {
    for (int x = within.x; x < within.x + within.width; x += side) {
      const Window block{.x = x,
                         .y = y,
                         .width = std::min(side, within.x + within.width - x),
                         .height = std::min(side, within.y + within.height - y)};
      if (const auto motion = block_motion(luma, block, least_slope)) {
        motions.push_back(*motion);
      }
    }
  }
  if (motions.size() < kFewestParts) return std::nullopt;
  const auto middle = motions.begin() + static_cast<std::ptrdiff_t>(motions.size() / 2);
  std::nth_element(motions.begin(), middle, motions.end());
  return FieldMotion{.typical_px = *middle, .num_parts = static_cast<int>(motions.size())};
}

}  // namespace trueplate::footage
