#include "calib/calibrate/detail/used_frames.h"

#include <utility>

#include "calib/calibrate/detail/detected_frames.h"
#include "calib/target/measure_again.h"

namespace trueplate::detail {

std::optional<Point2d> Predicted::plate_px(const Point2d& p_chart_mm) const {
  const Eigen::Vector3d p_camera =
      camera_from_chart.rotation * Eigen::Vector3d(p_chart_mm.x(), p_chart_mm.y(), 0.0) +
      camera_from_chart.translation_mm;
  const auto p_distorted = lens::distort_ray(lens.model, p_camera);
  if (!p_distorted) return std::nullopt;
  return lens::px_from_ideal(lens, *p_distorted);
}

std::vector<UsedFrame> used_frames(const footage::FrameSet& frames,
                                   const Calibration& calibration,
                                   const std::vector<DetectedFrame>& detected) {
  std::vector<UsedFrame> used;
  std::size_t fitted = 0;
  for (std::size_t i = 0; i < frames.frames.size() && i < detected.size(); ++i) {
    if (!is_fitted(detected[i])) continue;  // as calibrate() made its views
    const std::size_t k = fitted++;
    if (k >= calibration.fit.frames.size()) break;
    const fit::FrameFit& frame = calibration.fit.frames[k];
    if (!frame.used || !frame.has_pose) continue;
    used.push_back({frames.frames[i], i, {calibration.fit.lens, frame.camera_from_chart}});
  }
  return used;
}

std::vector<footage::FrameRef> refs_of(const std::vector<UsedFrame>& used) {
  std::vector<footage::FrameRef> refs;
  refs.reserve(used.size());
  for (const UsedFrame& frame : used) refs.push_back(frame.ref);
  return refs;
}

Result<Corners> measured_again(const footage::Frame& frame,
                               footage::Plane plane,
                               const target::Chart& chart,
                               std::vector<target::Corner> corners,
                               const Predicted& predicted) {
  const Result<footage::Luma> seen = footage::plane_of(frame, plane, 1);
  if (!seen) return fail(seen.error());
  for (target::Corner& corner : corners) corner.p_plate_px -= seen->offset_px;
  auto again = target::measure_again(
      seen->pixels.view(), chart, corners, [&](const Point2d& p_mm) -> std::optional<Point2d> {
        const auto p = predicted.plate_px(p_mm);
        if (!p) return std::nullopt;
        return Point2d(*p - seen->offset_px);
      });
  if (!again) return fail(again.error());
  for (auto& corner : *again)
    if (corner) corner->p_plate_px += seen->offset_px;
  return *std::move(again);
}

}  // namespace trueplate::detail
