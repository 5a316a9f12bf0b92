#include "charts/synth/detail/set_material.h"

#include <algorithm>
#include <cmath>

namespace trueplate::synth::detail {
namespace {

/// Share of the interval of length `size` around x that lies in [0, width), [period, period +
/// width), ...
double stripe_share(double x, double period, double width, double size) {
  const auto integral = [&](double at) {
    const double whole = std::floor(at / period);
    return whole * width + std::min(at - whole * period, width);
  };
  const double s = std::max(size, 1e-9);
  return (integral(x + 0.5 * s) - integral(x - 0.5 * s)) / s;
}

/// Share of the interval around x that lies above `edge`.
double above_share(double x, double edge, double size) {
  return std::clamp((x - edge) / std::max(size, 1e-9) + 0.5, 0.0, 1.0);
}

/// Share of lines of the given width, centred at the multiples of `period`.
double line_share(double x, double period, double width, double size) {
  return stripe_share(x + 0.5 * width, period, width, size);
}

Rgb mixed(const Rgb& a, const Rgb& b, double share_of_b) { return a + share_of_b * (b - a); }

/// A number of its own for each cell of a raster, -1..1. One multiplication and two shifts a
/// coordinate are enough for a texture.
double tone_of(std::int64_t x, std::int64_t y, std::uint64_t seed) {
  std::uint64_t z = static_cast<std::uint64_t>(x) * 0x9e3779b97f4a7c15U +
                    static_cast<std::uint64_t>(y) * 0xc2b2ae3d27d4eb4fU + seed;
  z = (z ^ (z >> 31U)) * 0x94d049bb133111ebU;
  z ^= z >> 29U;
  return static_cast<double>(static_cast<std::int32_t>(z >> 20U)) * 0x1p-31;
}

double cell_tone(double x, double y, std::uint64_t seed) {
  return tone_of(
      static_cast<std::int64_t>(std::floor(x)), static_cast<std::int64_t>(std::floor(y)), seed);
}

double fade(double period, double size) { return std::clamp(1.5 - size / period, 0.0, 1.0); }

/// Smooth noise, about -1..1, with features of the size 1.
double smooth_noise(double x, double y, std::uint64_t seed) {
  const double floor_x = std::floor(x);
  const double floor_y = std::floor(y);
  const auto ix = static_cast<std::int64_t>(floor_x);
  const auto iy = static_cast<std::int64_t>(floor_y);
  const double fx = x - floor_x;
  const double fy = y - floor_y;
  const double sx = fx * fx * (3.0 - 2.0 * fx);
  const double sy = fy * fy * (3.0 - 2.0 * fy);
  const double a = tone_of(ix, iy, seed);
  const double b = tone_of(ix, iy + 1, seed);
  const double top = a + sx * (tone_of(ix + 1, iy, seed) - a);
  const double bottom = b + sx * (tone_of(ix + 1, iy + 1, seed) - b);
  return top + sy * (bottom - top);
}

/// Two sizes of smooth noise, without what is finer than the footprint.
double mottle(const Point2d& uv, const Point2d& footprint, double size_m, std::uint64_t seed) {
  const double coarse = fade(size_m, 2.0 * footprint.maxCoeff());
  if (coarse <= 0.0) return 0.0;
  double sum = 0.65 * coarse * smooth_noise(uv.x() / size_m, uv.y() / size_m, seed);
  const double fine_m = 0.31 * size_m;
  const double fine = fade(fine_m, 2.0 * footprint.maxCoeff());
  if (fine > 0.0) sum += 0.45 * fine * smooth_noise(uv.x() / fine_m, uv.y() / fine_m, seed + 1);
  return sum;
}

Rgb plaster(const Material& m, const Point2d& uv, const Point2d& half, const Point2d& size) {
  // The lower 1.15 m are painted, with a thin line on top.
  const double y = uv.y() + half.y();
  const double upper = above_share(y, 1.15, size.y());
  const double line = above_share(y, 1.15, size.y()) - above_share(y, 1.175, size.y());
  Rgb colour = mixed(m.second * (1.0 + 0.05 * mottle(uv, size, 0.5, 11)),
                     m.colour * (1.0 + 0.07 * mottle(uv, size, 0.9, 12)),
                     upper);
  // Boards below the line
  const double grooves = line_share(uv.x(), 0.16, 0.007, size.x()) * (1.0 - upper);
  colour *= 1.0 - 0.45 * grooves;
  return mixed(colour, m.second * 0.45, line);
}

Rgb tiles(const Material& m, const Point2d& uv, const Point2d& size) {
  constexpr double kSide = 0.6;
  constexpr double kJoint = 0.012;
  const double a = 2.0 * stripe_share(uv.x(), 2.0 * kSide, kSide, size.x()) - 1.0;
  const double b = 2.0 * stripe_share(uv.y(), 2.0 * kSide, kSide, size.y()) - 1.0;
  Rgb colour = mixed(m.colour, m.second, 0.5 + 0.5 * a * b);
  const double blend = fade(kSide, 2.0 * size.maxCoeff());
  colour *= 1.0 + 0.06 * blend * cell_tone(uv.x() / kSide, uv.y() / kSide, 21);
  colour *= 1.0 + 0.06 * mottle(uv, size, 0.35, 22);
  const double free_of_joints = (1.0 - line_share(uv.x(), kSide, kJoint, size.x())) *
                                (1.0 - line_share(uv.y(), kSide, kJoint, size.y()));
  return mixed(m.colour * 0.42, colour, free_of_joints);
}

Rgb bricks(const Material& m, const Point2d& uv, const Point2d& size) {
  constexpr double kLength = 0.25;
  constexpr double kHeight = 0.0833;
  constexpr double kJoint = 0.011;
  const double row = std::floor(uv.y() / kHeight);
  const double shifted = uv.x() + (std::fmod(row, 2.0) == 0.0 ? 0.0 : 0.5 * kLength);
  const double sharp = fade(kHeight, 2.0 * size.y());
  const double upright =
      sharp * line_share(shifted, kLength, kJoint, size.x()) + (1.0 - sharp) * kJoint / kLength;
  const double level = line_share(uv.y(), kHeight, kJoint, size.y());
  const double tone =
      sharp * fade(kLength, 2.0 * size.x()) * cell_tone(shifted / kLength, row + 0.5, 31);
  const Rgb brick =
      mixed(m.colour, m.second, 0.5 + 0.4 * tone) * (1.0 + 0.06 * mottle(uv, size, 0.2, 32));
  const Rgb joint = Rgb(0.36, 0.345, 0.32);
  return mixed(joint, brick, (1.0 - upright) * (1.0 - level));
}

Rgb wood(const Material& m, const Point2d& uv, const Point2d& half, const Point2d& size) {
  const bool along_u = half.x() >= half.y();
  const Point2d along = along_u ? uv : Point2d(uv.y(), uv.x());
  const Point2d wide = along_u ? size : Point2d(size.y(), size.x());
  const Point2d stretched(along.x() * 0.12, along.y());
  const Point2d stretched_size(wide.x() * 0.12, wide.y());
  return m.colour * (1.0 + 0.16 * mottle(stretched, stretched_size, 0.035, 41) +
                     0.06 * mottle(stretched, stretched_size, 0.2, 42));
}

Rgb boards(const Material& m, const Point2d& uv, const Point2d& size) {
  constexpr double kWidth = 0.19;
  const double tone = fade(kWidth, 2.0 * size.y()) * cell_tone(0.5, uv.y() / kWidth, 51);
  const Point2d stretched(uv.x() * 0.12, uv.y());
  Rgb colour = m.colour * (1.0 + 0.1 * tone) * (1.0 + 0.1 * mottle(stretched, size, 0.05, 52));
  return mixed(colour, m.colour * 0.3, line_share(uv.y(), kWidth, 0.01, size.y()));
}

Rgb crate(const Material& m, const Point2d& uv, const Point2d& half, const Point2d& size) {
  const double batten = 0.14 * half.minCoeff() + 0.015;
  const double inside = (1.0 - above_share(std::abs(uv.x()), half.x() - batten, size.x())) *
                        (1.0 - above_share(std::abs(uv.y()), half.y() - batten, size.y()));
  constexpr double kBoard = 0.115;
  const double gaps = line_share(uv.y() + half.y(), kBoard, 0.009, size.y());
  const double tone = fade(kBoard, 2.0 * size.y()) * cell_tone(0.5, uv.y() / kBoard, 61);
  const Rgb board = m.colour * (1.0 + 0.07 * tone) * (1.0 - 0.65 * gaps) * 0.86;
  const Point2d grain(uv.x() * 0.3, uv.y());
  return mixed(m.colour * 1.08, board, inside) * (1.0 + 0.07 * mottle(grain, size, 0.06, 62));
}

Rgb door(const Material& m, const Point2d& uv, const Point2d& half, const Point2d& size) {
  const double x = std::abs(uv.x()) / half.x();
  const double y = std::fmod((uv.y() + half.y()) / half.y(), 1.0);  // two rows of panels
  const double sx = size.x() / half.x();
  const double sy = size.y() / half.y();
  const auto panel = [&](double low_x, double high_x, double low_y, double high_y) {
    return (above_share(x, low_x, sx) - above_share(x, high_x, sx)) *
           (above_share(y, low_y, sy) - above_share(y, high_y, sy));
  };
  const double outer = panel(0.14, 0.80, 0.12, 0.88);
  const double inner = panel(0.18, 0.76, 0.145, 0.855);
  return m.colour * (1.0 - 0.5 * (outer - inner) - 0.12 * inner) *
         (1.0 + 0.04 * mottle(uv, size, 0.3, 71));
}

Rgb sky(const Material& m, const Point2d& uv, const Point2d& half, const Point2d& size) {
  const double y = (uv.y() + half.y()) / (2.0 * half.y());
  const double sy = size.y() / (2.0 * half.y());
  const double above = above_share(y, 0.30, sy);
  const Rgb air = mixed(m.colour, m.second, std::clamp((y - 0.30) / 0.70, 0.0, 1.0));
  const Rgb flats = Rgb(0.40, 0.42, 0.41) * (0.75 + 0.8 * y);
  const double channel = above_share(y, 0.205, sy) - above_share(y, 0.235, sy);
  return mixed(mixed(flats, m.colour * 0.8, channel), air, above);
}

Surface target(const Material& m, const Point2d& uv, const Point2d& half) {
  const double x = uv.x() / half.x();
  const double y = uv.y() / half.y();
  if (std::sqrt(x * x + y * y) > 0.82) return {.colour = m.second, .part = 0};
  const bool dark = (x < 0.0) == (y < 0.0);
  return {.colour = dark ? m.colour : m.second, .part = dark ? 1U : 0U};
}

Surface ring(const Material& m, const Point2d& uv, const Point2d& half) {
  const double x = uv.x() / half.x();
  const double y = uv.y() / half.y();
  const double r = std::sqrt(x * x + y * y);
  const bool in_ring = r > 0.60 && r < 0.76;
  const bool in_tick = r >= 0.76 && r < 1.0 && std::min(std::abs(x), std::abs(y)) < 0.07;
  const bool opaque = in_ring || in_tick;
  return {.colour = m.colour, .emits = true, .opaque = opaque, .part = opaque ? 1U : 0U};
}

Rgb lattice(const Material& m, const Point2d& uv, const Point2d& half, const Point2d& size) {
  const Point2d low = uv + half;
  const double step_x = half.x() / 2.0;
  const double step_y = half.y() / 2.0;
  const double free_of_lines = (1.0 - line_share(low.x(), step_x, 0.016, size.x())) *
                               (1.0 - line_share(low.y(), step_y, 0.016, size.y()));
  const double outline = (1.0 - above_share(std::abs(uv.x()), half.x() - 0.026, size.x())) *
                         (1.0 - above_share(std::abs(uv.y()), half.y() - 0.026, size.y()));
  return mixed(m.second, m.colour, free_of_lines * outline);
}

}  // namespace

Surface surface_at(const Material& material,
                   const Point2d& uv,
                   const Point2d& half,
                   const Point2d& footprint) {
  switch (material.pattern) {
    case Pattern::kPlain:
      return {.colour = material.colour};
    case Pattern::kPlaster:
      return {.colour = plaster(material, uv, half, footprint)};
    case Pattern::kTiles:
      return {.colour = tiles(material, uv, footprint)};
    case Pattern::kBricks:
      return {.colour = bricks(material, uv, footprint)};
    case Pattern::kBoards:
      return {.colour = boards(material, uv, footprint)};
    case Pattern::kCrate:
      return {.colour = crate(material, uv, half, footprint)};
    case Pattern::kWood:
      return {.colour = wood(material, uv, half, footprint)};
    case Pattern::kDoor:
      return {.colour = door(material, uv, half, footprint)};
    case Pattern::kSky:
      return {.colour = sky(material, uv, half, footprint), .emits = true};
    case Pattern::kTarget:
      return target(material, uv, half);
    case Pattern::kLattice:
      return {.colour = lattice(material, uv, half, footprint)};
    case Pattern::kRing:
      return ring(material, uv, half);
    case Pattern::kSignal:
      return {.colour = material.colour, .emits = true};
  }
  return {};
}

}  // namespace trueplate::synth::detail
