#pragma once

#include <array>
#include <optional>
#include <vector>

#include "calib/base/result.h"
#include "calib/plate/trial.h"

namespace trueplate::plate {

/// Where a solved scene is to stand. Tracks are indices.
struct PlacementOptions {
  /// Two tracks whose distance is known.
  struct Scale {
    int track_a = 0;
    int track_b = 0;
    double distance_m = 0.0;
  };
  std::optional<Scale> scale = {};
  std::optional<std::array<int, 3>> ground = {};  // three tracks on the floor
  std::optional<int> origin = {};
};

/// A camera in a world with Y up, X right and Z towards the viewer, the axes of computer graphics
/// and of USD. The camera looks along its own -Z, its Y up.
struct PlacedPose {
  Eigen::Matrix3d world_from_camera = Eigen::Matrix3d::Identity();
  Eigen::Vector3d position = Eigen::Vector3d::Zero();
};

/// A solved camera and its points, placed. In metres if the scale is known, else in units of the
/// distance between the keyframes' cameras.
struct PlacedScene {
  bool metres = false;
  std::vector<std::optional<PlacedPose>> poses;        // of each frame
  std::vector<std::optional<Eigen::Vector3d>> points;  // of each track
};

/// Without ground the first solved camera stands upright and looks along -Z; with it the three
/// tracks lie in Y = 0, the cameras above, and the first camera's right is X as far as the floor
/// allows. Origin: the track named, with ground the place on it straight below or above the track;
/// else the first of the ground; else the first solved camera.
///
/// Errors name the track: one that has no place; two at one place; three on one line; a distance
/// that is not above zero.
Result<PlacedScene> placed(const Tracks& tracks,
                           const CameraSolve& solve,
                           const PlacementOptions& options);

}  // namespace trueplate::plate
