#include "charts/synth/demo.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "charts/synth/detail/checks.h"
#include "charts/synth/detail/noise.h"

namespace trueplate::synth {
namespace {

constexpr double kBorderSquares = 0.6;
constexpr int kCgMarginPx = 4;  // for the reach of a resampling filter

/// Plate and film back have square photosites; the optical axis misses the centre by a few pixels.
lens::Lens spherical_lens() {
  const ImageSize size{1920, 1080};
  const lens::FilmBack film_back{24.89, 14.0};
  const double focal_mm = 25.14;  // not quite what the barrel says, as with real lenses
  return {.plate_size = size,
          .pixel_aspect = 1.0,
          .squeeze = 1.0,
          .film_back = film_back,
          .focal_px = {focal_mm * size.width / film_back.width_mm,
                       focal_mm * size.height / film_back.height_mm},
          .principal_point_px = {967.3, 535.4},
          .model = lens::RadialTangential({-0.152, 0.047, -0.0085, 0.00042, -0.00031})};
}

lens::Lens anamorphic_lens() {
  const ImageSize size{1828, 1556};
  const lens::FilmBack film_back{20.56, 17.5};
  const double focal_mm = 20.27;
  const double measured_squeeze = 1.994;
  return {.plate_size = size,
          .pixel_aspect = 2.0,
          .squeeze = 2.0,
          .film_back = film_back,
          .focal_px = {focal_mm * size.width / film_back.width_mm,
                       measured_squeeze * focal_mm * size.height / film_back.height_mm},
          .principal_point_px = {906.8, 787.9},
          .model = lens::RadialTangential({-0.186, 0.068, -0.0121, 0.00094, -0.00073})};
}

DemoLens make_spherical() {
  DemoLens result;
  result.name = "plover-25";
  result.label = "Plover 25 mm, spherical";
  result.lens = spherical_lens();
  result.nominal_focal_mm = 25.0;
  result.camera_from_set = demo_camera_from_set(9.9);
  result.focus_m = 2.4;
  result.t_stop = 4.0;
  result.chart_options.blur_sigma_px = 0.7;
  result.chart_options.vignetting = 0.22;
  result.chart_options.light_slope = 0.12;
  return result;
}

DemoLens make_anamorphic() {
  DemoLens result;
  result.name = "curlew-40-x2";
  result.label = "Curlew 40 mm, anamorphic 2x";
  result.lens = anamorphic_lens();
  result.nominal_focal_mm = 40.0;
  result.camera_from_set = demo_camera_from_set(11.3);
  result.focus_m = 2.7;
  result.t_stop = 5.6;
  result.chart_options.blur_sigma_px = 0.8;
  result.chart_options.vignetting = 0.3;
  result.chart_options.light_slope = -0.1;
  return result;
}

int scaled_side(int side, double scale) {
  return std::max(1, static_cast<int>(std::lround(side * scale)));
}

/// The camera at `share` (0 to 1) of the move that begins at `start`.
Eigen::Isometry3d moved_camera(const Eigen::Isometry3d& start, double share) {
  constexpr double kSideways = 1.4;     // m
  constexpr double kForward = 0.8;      // m
  constexpr double kPointOfTurn = 9.0;  // m; what is so far away stays in place
  const Eigen::AngleAxisd turn(kSideways * share / kPointOfTurn, Eigen::Vector3d::UnitY());
  const Eigen::Vector3d towards(kSideways * share, 0.0, kForward * share);
  return turn * Eigen::Translation3d(-towards) * start;
}

}  // namespace

Result<Demo> make_demo(const DemoOptions& options) {
  Result<void> checked =
      detail::check_range("demo", "scale", options.scale, kMinDemoScale, kMaxDemoScale);
  if (checked) {
    checked = detail::check_range(
        "demo", "number of chart frames", options.num_chart_frames, 1, kMaxPoses);
  }
  if (!checked) return fail(checked.error());

  Demo demo{.title = "Low Water",
            .chart = {.pitch_mm = 40.0, .columns = 14, .rows = 9},
            .border_squares = kBorderSquares,
            .lenses = {}};
  demo.lenses.push_back(make_spherical());
  demo.lenses.push_back(make_anamorphic());
  std::uint64_t seed = options.seed;
  for (DemoLens& entry : demo.lenses) {
    const ImageSize size = entry.lens.plate_size;
    // A pixel of the smaller plate sees more of the scene, but its blur in pixels stays: that is
    // how a proxy of the same footage looks.
    const double pixel_aspect = entry.lens.pixel_aspect;
    entry.lens = lens::scaled_to(entry.lens,
                                 {.width = scaled_side(size.width, options.scale),
                                  .height = scaled_side(size.height, options.scale)});
    entry.lens.pixel_aspect = pixel_aspect;
    Result<std::vector<ChartPose>> poses =
        make_poses(entry.lens,
                   demo.chart,
                   {.count = options.num_chart_frames,
                    .border_squares = kBorderSquares,
                    .margin_px = std::max(1.0, 6.0 * options.scale)});
    if (!poses) return fail(poses.error());
    entry.poses = std::move(poses).value();
    entry.chart_options.look.border_squares = kBorderSquares;
    entry.chart_options.noise_sigma = 0.004;
    entry.chart_options.seed = seed;
    entry.set_options.noise_sigma = 0.004;
    entry.set_options.seed = seed + 1000;
    seed += 10000;
  }
  return demo;
}

Result<ChartFootage> render_demo_chart(const Demo& demo,
                                       const DemoLens& lens,
                                       int frame,
                                       int threads) {
  Result<void> checked = detail::check_range(
      "demo", "chart frame", frame, 0, static_cast<double>(lens.poses.size()) - 1.0);
  if (!checked) return fail(checked.error());
  ChartFootageOptions options = lens.chart_options;
  options.seed += static_cast<std::uint64_t>(frame);
  options.threads = threads;
  const ChartPose& pose = lens.poses[static_cast<std::size_t>(frame)];
  return render_chart(lens.lens, demo.chart, pose.camera_from_chart, options);
}

Result<DemoShot> render_demo_shot(const DemoLens& lens,
                                  int threads,
                                  const std::atomic<bool>* interrupt) {
  const Window display{0, 0, lens.lens.plate_size.width, lens.lens.plate_size.height};
  SetRenderOptions options = lens.set_options;
  options.threads = threads;
  options.interrupt = interrupt;
  const auto take = [&](std::string name, SetPicture kind, const Window& data) {
    Result<Image<float>> image = render_set(kind, lens.lens, lens.camera_from_set, data, options);
    if (!image) return Result<DemoPicture>(fail(image.error()));
    return Result<DemoPicture>(DemoPicture{.name = std::move(name),
                                           .image = std::move(image).value(),
                                           .windows = {.display = display, .data = data},
                                           .pixel_aspect = lens.lens.pixel_aspect});
  };
  Result<DemoPicture> plate = take("plate", SetPicture::kPlate, display);
  if (!plate) return fail(plate.error());
  Result<DemoPicture> cg = take("cg", SetPicture::kCg, straightened_window(lens.lens, kCgMarginPx));
  if (!cg) return fail(cg.error());
  Result<DemoPicture> cg_on_plate = take("cg-on-plate", SetPicture::kCgOnPlate, display);
  if (!cg_on_plate) return fail(cg_on_plate.error());
  return DemoShot{.plate = std::move(plate).value(),
                  .cg = std::move(cg).value(),
                  .cg_on_plate = std::move(cg_on_plate).value(),
                  .markers = set_markers(lens.lens, lens.camera_from_set)};
}

std::vector<DemoTrackPoint> demo_tracks(const DemoLens& lens) {
  const double sigma_px = kTrackNoise * lens.lens.plate_size.width;
  std::vector<DemoTrackPoint> points;
  for (int i = 0; i < kNumTrackFrames; ++i) {
    const double share = static_cast<double>(i) / (kNumTrackFrames - 1);
    for (const SetMarker& marker :
         set_markers(lens.lens, moved_camera(lens.camera_from_set, share))) {
      const std::uint64_t index = 2 * points.size();
      const std::uint64_t seed = lens.set_options.seed;
      const Point2d noise(detail::gaussian(seed, index), detail::gaussian(seed, index + 1));
      points.push_back({.track = marker.name,
                        .frame = kFirstTrackFrame + i,
                        .p_plate_px = marker.p_plate_px + sigma_px * noise});
    }
  }
  return points;
}

}  // namespace trueplate::synth
