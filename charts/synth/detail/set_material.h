#pragma once

#include <Eigen/Core>
#include <cstdint>

#include "calib/base/geometry.h"

namespace trueplate::synth::detail {

/// Linear Rec. 709 colour.
using Rgb = Eigen::Vector3d;

enum class Pattern {
  kPlain,
  kPlaster,  // painted below a line, with a mottled upper part
  kTiles,    // two tones of floor tiles with joints
  kBricks,
  kBoards,   // boards along u with dark gaps
  kCrate,    // boards with a frame of battens
  kWood,     // grain along u or v, whichever is longer
  kDoor,     // four sunk panels
  kSky,      // bright, with a far horizon
  kTarget,   // paper with a disc of four quadrants
  kLattice,  // CG: faces with a grid of lines and a clear outline
  kRing,     // CG: ring with four ticks, else transparent
  kSignal,   // CG: one bright colour, unshaded
};

struct Material {
  Pattern pattern = Pattern::kPlain;
  Rgb colour = Rgb::Constant(0.5);
  Rgb second = Rgb::Constant(0.5);  // of patterns with two colours
};

/// What a pattern shows at one place.
struct Surface {
  Rgb colour = Rgb::Zero();
  bool emits = false;  // colour is light, not reflectance
  bool opaque = true;
  std::uint32_t part = 0;  // differs between parts with sharp edges that are not integrated
};

/// The pattern at `uv` (m from the centre of a face of half size `half`), averaged over a rectangle
/// of the size `footprint` (m) where it has lines and joints.
Surface surface_at(const Material& material,
                   const Point2d& uv,
                   const Point2d& half,
                   const Point2d& footprint);

}  // namespace trueplate::synth::detail
