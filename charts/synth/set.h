#pragma once

#include <Eigen/Geometry>
#include <atomic>
#include <cstdint>
#include <string>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"

namespace trueplate::synth {

/// The pictures that can be taken of the demo's set, a workshop with a tiled floor, windows, posts,
/// beams and crates, with paper targets on many of its surfaces, two to ten metres away. Set
/// coordinates: metres, x right, y up, z towards the camera; the origin lies on the floor at the
/// middle of the back wall.
enum class SetPicture {
  kPlate,      // the set through the lens, RGB: what the camera recorded
  kCg,         // the CG objects by a pinhole camera, RGBA premultiplied: what a renderer delivers
  kCgOnPlate,  // the CG objects through the lens, RGBA premultiplied: what a correct comp adds
};

/// A paper target on the set: a disc of four quadrants, dark and light, whose crossing is the
/// point; the CG has a ring around the same point, parallel to the image plane.
struct SetMarker {
  std::string name;
  Eigen::Vector3d p_set_m;
  Point2d p_undistorted_px;  // in the straight picture: the centre of the ring in kCg
  Point2d p_plate_px;        // on the plate: the crossing of the target, the centre of the ring
  /// On the plate: the centre of gravity of the ring's alpha. The lens bends the ring and makes its
  /// outer side smaller or larger, which moves this by up to 0.04 px from p_plate_px.
  Point2d p_ring_centroid_px;
  double ring_radius_px;  // outer radius along x in the straight picture
};

struct SetRenderOptions {
  /// Gaussian blur on top of the area of a pixel, in px: 0.3 to 3.
  double blur_sigma_px = 0.5;
  double noise_sigma = 0.0;  // standard deviation of the sensor noise of kPlate, scene-linear
  std::uint64_t seed = 1;
  int threads = 0;  // 0 = all cores
  /// Set to give up; looked at before every row.
  const std::atomic<bool>* interrupt = nullptr;
};

/// A hand-held view of the set from `distance_m` in front of its back wall (8 to 13 show most of
/// it). Camera axes: x right, y down, z along the view; metres.
[[nodiscard]] Eigen::Isometry3d demo_camera_from_set(double distance_m);

/// Takes a picture by following the light of each pixel back through the exact inverse lens into
/// the set. Edges are sampled 144 times per pixel (CG 576 times), textures are integrated.
///
/// data_window   the pixels to render, in the plate's pixel frame: the plate's own window, or a
///               larger one with overscan. Pixels of kPlate and kCgOnPlate without an inverse are
///               black (and transparent).
/// returns       scene-linear pixels of the data window; 3 or 4 channels by the kind of picture
/// errors        kInvalidInput for a lens that does not validate, a pose that is not a rigid
/// motion,
///               an empty window or one with more than kMaxImageSide pixels a side, an option out
///               of range; kInterrupted
/// The same bits for every number of threads.
Result<Image<float>> render_set(SetPicture picture,
                                const lens::Lens& lens,
                                const Eigen::Isometry3d& camera_from_set,
                                const Window& data_window,
                                const SetRenderOptions& options = {});

/// The smallest window that holds the straightened plate (the inverse of the plate's border) and
/// the plate's own window, widened by margin_px: what a CG render needs so that nothing is missing
/// after the lens is put back on. Parts of the border without an inverse are left out.
[[nodiscard]] Window straightened_window(const lens::Lens& lens, int margin_px);

/// The targets whose rings lie wholly on the plate and which nothing hides from the camera.
[[nodiscard]] std::vector<SetMarker> set_markers(const lens::Lens& lens,
                                                 const Eigen::Isometry3d& camera_from_set);

}  // namespace trueplate::synth
