#include "calib/target/measure_again.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <mutex>
#include <optional>
#include <vector>

#include "calib/base/parallel.h"
#include "calib/calibrate.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_stream.h"

namespace trueplate {
namespace {

/// What a fit says of one frame.
struct Predicted {
  lens::Lens lens;
  fit::Pose camera_from_chart;

  [[nodiscard]] std::optional<Point2d> plate_px(const Point2d& p_chart_mm) const {
    const Eigen::Vector3d p_camera =
        camera_from_chart.rotation * Eigen::Vector3d(p_chart_mm.x(), p_chart_mm.y(), 0.0) +
        camera_from_chart.translation_mm;
    const auto p_distorted = lens::distort_ray(lens.model, p_camera);
    if (!p_distorted) return std::nullopt;
    return lens::px_from_ideal(lens, *p_distorted);
  }
};

/// The frames of a set that a calibration used, and for each its place in the lists of the set and
/// of the fit.
struct UsedFrames {
  std::vector<footage::FrameRef> refs;
  std::vector<std::size_t> in_set;
  std::vector<std::size_t> in_fit;
};

UsedFrames used_frames(const footage::FrameSet& frames,
                       const Calibration& calibration,
                       const std::vector<DetectedFrame>& detected) {
  UsedFrames used;
  std::size_t fitted = 0;
  for (std::size_t i = 0; i < frames.frames.size() && i < detected.size(); ++i) {
    // As calibrate() made its views.
    if (detected[i].corners.empty() || !detected[i].not_chosen.empty()) continue;
    const std::size_t k = fitted++;
    if (k >= calibration.fit.frames.size()) break;
    if (!calibration.fit.frames[k].used || !calibration.fit.frames[k].has_pose) continue;
    used.refs.push_back(frames.frames[i]);
    used.in_set.push_back(i);
    used.in_fit.push_back(k);
  }
  return used;
}

/// Measured corners of one frame; nullopt where there is none.
using Corners = std::vector<std::optional<target::Corner>>;

std::optional<Corners> measured(const footage::Frame& frame,
                                const DetectedFrame& detected,
                                const Predicted& predicted,
                                const target::Chart& chart) {
  const Result<footage::Luma> luma = footage::luma(frame, 1);
  if (!luma) return std::nullopt;
  std::vector<target::Corner> corners = detected.corners;
  for (target::Corner& corner : corners) corner.p_plate_px -= luma->offset_px;
  auto again = target::measure_again(
      luma->pixels.view(), chart, corners, [&](const Point2d& p_mm) -> std::optional<Point2d> {
        const auto p = predicted.plate_px(p_mm);
        if (!p) return std::nullopt;
        return Point2d(*p - luma->offset_px);
      });
  if (!again) return std::nullopt;
  for (auto& corner : *again)
    if (corner) corner->p_plate_px += luma->offset_px;
  return *std::move(again);
}

void take_over(const Corners& again, DetectedFrame& detected, MeasuredAgain& sum) {
  for (std::size_t i = 0; i < again.size(); ++i) {
    if (!again[i]) {
      ++sum.num_lost;
      continue;
    }
    ++sum.num_corners;
    // A sum of squares until the end.
    sum.rms_shift_px += (again[i]->p_plate_px - detected.corners[i].p_plate_px).squaredNorm();
    detected.corners[i] = *again[i];
  }
}

}  // namespace

Result<MeasuredAgain> measure_again(const footage::FrameSet& frames,
                                    const Calibration& calibration,
                                    std::vector<DetectedFrame>& detected,
                                    const DetectFramesOptions& options) {
  const UsedFrames used = used_frames(frames, calibration, detected);
  std::vector<std::optional<Corners>> again(used.refs.size());
  footage::FrameStream stream(used.refs);
  std::mutex progress_mutex;
  const int total = static_cast<int>(used.refs.size());
  int done = 0;
  const int threads = std::min(resolve_threads(options.threads), total);
  const auto interrupted = [&] {
    return options.interrupt != nullptr && options.interrupt->load();
  };
  parallel_rows(threads, threads, [&](int, int) {
    while (!interrupted()) {
      const auto item = stream.next({.threads = 1});
      if (!item) return;
      const DetectedFrame& frame = detected[used.in_set[item->index]];
      const fit::FrameFit& fit = calibration.fit.frames[used.in_fit[item->index]];
      if (item->frame)
        again[item->index] = measured(
            *item->frame, frame, {calibration.fit.lens, fit.camera_from_chart}, options.chart);
      const std::lock_guard lock(progress_mutex);
      ++done;
      if (options.progress) options.progress(done, total, frame.name);
    }
  });
  if (interrupted()) return fail(ErrorCode::kInterrupted, "interrupted");
  MeasuredAgain sum;
  for (std::size_t i = 0; i < again.size(); ++i)
    if (again[i]) take_over(*again[i], detected[used.in_set[i]], sum);
  if (sum.num_corners > 0) sum.rms_shift_px = std::sqrt(sum.rms_shift_px / sum.num_corners);
  return sum;
}

}  // namespace trueplate
