#pragma once

#include <Eigen/Core>
#include <optional>
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

/// Narrows the picture about its middle, as a lens that squeezes does; the focal length in pixels
/// along x is as many times shorter.
void squeeze(MadeShot& shot, double ratio);

/// The shot as a tracks file.
[[nodiscard]] std::string tracks_csv(const plate::Tracks& tracks);

/// How large the fault of a random case is: pixels of a plate 2048 px wide for the noise of bad
/// markers, the jump of a slip, the shift of a lens at the corners (either sign) and the parallax;
/// the ratio of a wrong focal length to the true one, or the other way round; the squeeze that is
/// not told.
struct FaultSize {
  double least = 0.0;
  double most = 0.0;
};

struct CaseOptions {
  bool bent = false;                   // through a lens besides, of which nothing is said
  bool focal_is_told = true;           // to the solver, unless a profile tells it
  std::optional<FaultSize> size = {};  // else the one that is far from none
};

/// A random shot with the fault `cause`, and how it is to be solved.
struct ShotCase {
  MadeShot shot;
  ShotPlan plan;
  plate::TrialOptions options;
  std::string about;  // its figures, for messages
};
[[nodiscard]] ShotCase random_case(plate::Cause cause,
                                   unsigned seed,
                                   const CaseOptions& options = {});

/// Root mean square, in pixels, of what the best turn of the camera leaves of the true motion of
/// the points that two frames (indices) share.
[[nodiscard]] double true_parallax_px(const ShotCase& made, int frame_a, int frame_b);

/// Root mean square distance of the camera positions from the true ones after the best similarity,
/// over the length of the true path.
[[nodiscard]] double path_error(const MadeShot& shot, const plate::CameraSolve& solve);

}  // namespace trueplate::tests
