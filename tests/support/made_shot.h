#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::tests {

/// A synthetic shot of a static scene: a camera that travels past points 6 to 14 units away and
/// keeps looking at their middle, as a crane or a hand-held camera does.
struct ShotPlan {
  ImageSize plate_size{2048, 1152};
  double focal_px = 2000.0;
  double k1 = 0.0;  // x' = x (1 + k1 r^2 + k2 r^4) on the plane z = 1
  double k2 = 0.0;
  int num_tracks = 60;
  int num_frames = 40;
  double noise_px = 0.2;    // standard deviation of a coordinate
  double travel = 3.0;      // length of the path
  double pan = 0.0;         // rad, by which the camera turns away over the shot
  bool flat = false;        // all points on one plane
  double least_life = 0.5;  // share of the frames that each track is seen in
  unsigned seed = 1;
};

struct MadeShot {
  plate::Tracks tracks;
  std::vector<plate::CameraPose> poses;
  std::vector<Eigen::Vector3d> points;
};

[[nodiscard]] MadeShot make_shot(const ShotPlan& plan);

/// The lens of a plan as a profile has it.
[[nodiscard]] lens::Lens lens_of(const ShotPlan& plan);

/// Moves a track from a frame (index) on, as one that slips to another feature.
void slip(MadeShot& shot, int track, int frame, const Point2d& jump_px);

/// The shot as a tracks file.
[[nodiscard]] std::string tracks_csv(const plate::Tracks& tracks);

/// A random shot with the fault `cause`, and how it is to be solved. `bent`: through a lens
/// besides, of which nothing is said.
struct ShotCase {
  MadeShot shot;
  plate::TrialOptions options;
  std::string about;  // its figures, for messages
};
[[nodiscard]] ShotCase random_case(plate::Cause cause, unsigned seed, bool bent = false);

/// Root mean square distance of the camera positions from the true ones after the best similarity,
/// over the length of the true path.
[[nodiscard]] double path_error(const MadeShot& shot, const plate::CameraSolve& solve);

}  // namespace trueplate::tests
