#pragma once

#include "charts/synth/detail/set_geometry.h"

namespace trueplate::synth::detail {

/// What stands in front of the camera: the set, and the CG that is to be combined with it.
struct SetScene {
  SetGeometry set;
  std::vector<Box> cg_boxes;

  /// An upright opening in the left wall through which the sun shines; y and z in m.
  struct Opening {
    double y_low, y_high, z_low, z_high;
  };
  std::vector<Opening> sun_openings;
  Vector3d towards_sun;
};

/// The workshop "Low Water". Built once; safe to use from all threads.
const SetScene& set_scene();

/// The light that leaves a hit towards the camera. `footprint` is the size of the sample on the
/// surface along u and v, m. *part tells surfaces apart whose border has to be sampled: the
/// pattern's own parts and the border of the sunlight.
Surface shade(const SetScene& scene, const Hit& hit, const Point2d& footprint);

}  // namespace trueplate::synth::detail
