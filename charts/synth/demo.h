#pragma once

#include <Eigen/Geometry>
#include <atomic>
#include <cstdint>
#include <string>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "calib/target/chart.h"
#include "charts/synth/chart_footage.h"
#include "charts/synth/poses.h"
#include "charts/synth/set.h"

namespace trueplate::synth {

struct DemoOptions {
  /// Size of all pictures relative to 1920x1080 and 1828x1556, kMinDemoScale to kMaxDemoScale.
  double scale = 1.0;
  int num_chart_frames = 16;  // per lens, 1 to kMaxPoses
  std::uint64_t seed = 1;     // of the sensor noise
};
inline constexpr double kMinDemoScale = 0.1;
inline constexpr double kMaxDemoScale = 4.0;

/// One lens of the demo: the truth about it and what is photographed through it.
struct DemoLens {
  std::string name;   // for file names: "plover-25"
  std::string label;  // for people: "Plover 25 mm, spherical"
  lens::Lens lens;    // the truth
  double nominal_focal_mm = 0.0;
  double focus_m = 0.0;
  double t_stop = 0.0;
  std::vector<ChartPose> poses;                                       // one per chart frame
  Eigen::Isometry3d camera_from_set = Eigen::Isometry3d::Identity();  // metres
  ChartFootageOptions chart_options;  // blur, noise, light; the seed is that of the first frame
  SetRenderOptions set_options;
};

/// "Low Water": a day of lens tests in an invented workshop, with two invented lenses, a spherical
/// and an anamorphic one of squeeze 2. Everything about it is known.
struct Demo {
  std::string title;
  target::Chart chart;
  double border_squares = 0.0;
  std::vector<DemoLens> lenses;
};

/// errors   kInvalidInput for an option out of range
Result<Demo> make_demo(const DemoOptions& options = {});

/// Chart frame `frame` (0 .. poses.size() - 1) of a lens; each has noise of its own.
Result<ChartFootage> render_demo_chart(const Demo& demo,
                                       const DemoLens& lens,
                                       int frame,
                                       int threads = 0);

/// A picture with what its file header has to say.
struct DemoPicture {
  std::string name;    // "plate", "cg", "cg-on-plate"
  Image<float> image;  // the data window; 3 channels RGB or 4 RGBA premultiplied, scene-linear
  FrameWindows windows;
  double pixel_aspect = 1.0;
};

/// The shot made with a lens: the plate, the CG as it comes from the renderer (with overscan, so
/// that bending it back leaves no gap), the same CG rendered through the lens as the truth to
/// compare with, and the points they have in common.
struct DemoShot {
  DemoPicture plate;
  DemoPicture cg;
  DemoPicture cg_on_plate;
  std::vector<SetMarker> markers;
};

/// interrupt   see SetRenderOptions
Result<DemoShot> render_demo_shot(const DemoLens& lens,
                                  int threads = 0,
                                  const std::atomic<bool>* interrupt = nullptr);

/// Where a marker was tracked in one frame of the demo's move.
struct DemoTrackPoint {
  std::string track;   // the marker's name
  int frame = 0;       // kFirstTrackFrame is the plate of render_demo_shot()
  Point2d p_plate_px;  // with noise
};
inline constexpr int kFirstTrackFrame = 1001;
inline constexpr int kNumTrackFrames = 48;
/// Standard deviation of the noise per coordinate, in plate widths: 0.15 px of 1920.
inline constexpr double kTrackNoise = 0.15 / 1920.0;

/// 2D tracks of the set's markers while the camera moves 1.4 m to the right and 0.8 m forward and
/// turns to keep the set in view: what a tracker delivers for a camera solve. In order of frames; a
/// marker has no point where it is off the plate or hidden.
[[nodiscard]] std::vector<DemoTrackPoint> demo_tracks(const DemoLens& lens);

}  // namespace trueplate::synth
