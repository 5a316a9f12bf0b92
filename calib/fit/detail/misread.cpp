#include "calib/fit/detail/misread.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "calib/lens/lens.h"
#include "calib/lens/model.h"

namespace trueplate::fit::detail {
namespace {

constexpr int kMostCells = 2;
constexpr int kFewestPoints = 8;
constexpr double kLeastShare = 0.1;     // of the frame's points
constexpr double kMostOfTheRest = 0.7;  // of its points that do not fit as they are
constexpr double kFitsSigmas = 6.0;     // per coordinate
constexpr double kFitsPx = 0.2;         // however small the noise, for a pose may be a little off
constexpr std::size_t kNamed = 6;
constexpr double kShareOfCell = 0.15;  // however large: no neighbour may pass for the point

/// Typical distance of neighbouring columns (axis 0) or rows (1), mm; 0 when there is one only.
double pitch_mm(const target::View& view, Eigen::Index axis) {
  std::vector<double> places;
  for (const target::Corner& corner : view.corners) {
    if (std::isfinite(corner.p_chart_mm(axis))) places.push_back(corner.p_chart_mm(axis));
  }
  std::sort(places.begin(), places.end());
  if (places.empty()) return 0.0;
  const double same = 1e-6 * (places.back() - places.front());
  std::vector<double> steps;
  for (std::size_t i = 1; i < places.size(); ++i) {
    if (places[i] - places[i - 1] > same) steps.push_back(places[i] - places[i - 1]);
  }
  if (steps.empty()) return 0.0;
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

std::optional<Point2d> predicted(const LensFit& fit,
                                 const Pose& pose,
                                 const Eigen::Vector3d& p_chart_mm) {
  const auto distorted =
      lens::distort_ray(fit.lens.model, pose.rotation * p_chart_mm + pose.translation_mm);
  if (!distorted) return std::nullopt;
  return lens::px_from_ideal(fit.lens, *distorted);
}

/// The points of a frame that do not fit as they are.
std::vector<std::size_t> misfits(const FrameFit& frame, double limit_px) {
  std::vector<std::size_t> result;
  for (std::size_t c = 0; c < frame.points.size(); ++c) {
    const Point2d& residual = frame.points[c].residual_px;
    if (residual.allFinite() && !frame.points[c].used && residual.norm() > limit_px) {
      result.push_back(c);
    }
  }
  return result;
}

/// The length of the shorter side of a cell on the plate, in the middle of the frame's points.
double cell_px(const LensFit& fit, const FrameFit& frame, const target::View& view, Point2d pitch) {
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  double count = 0.0;
  for (const target::Corner& corner : view.corners) {
    if (!corner.p_chart_mm.allFinite()) continue;
    middle += corner.p_chart_mm;
    count += 1.0;
  }
  if (!(count > 0.0)) return 0.0;
  middle /= count;
  const auto here = predicted(fit, frame.camera_from_chart, middle);
  double shortest = 0.0;
  for (Eigen::Index axis = 0; axis < 2; ++axis) {
    if (!(pitch(axis) > 0.0)) continue;
    const auto there =
        predicted(fit, frame.camera_from_chart, middle + pitch(axis) * Eigen::Vector3d::Unit(axis));
    if (!here || !there) return 0.0;
    const double length = (*there - *here).norm();
    shortest = shortest > 0.0 ? std::min(shortest, length) : length;
  }
  return shortest;
}

std::optional<Misread> misread(const LensFit& fit,
                               const FrameFit& frame,
                               const target::View& view) {
  const Point2d pitch(pitch_mm(view, 0), pitch_mm(view, 1));
  const double limit_px = std::min(std::max(kFitsSigmas * fit.noise_sigma_px, kFitsPx),
                                   kShareOfCell * cell_px(fit, frame, view, pitch));
  if (!(limit_px > 0.0)) return std::nullopt;
  const std::vector<std::size_t> rest = misfits(frame, limit_px);
  const double least = std::max({static_cast<double>(kFewestPoints),
                                 kLeastShare * static_cast<double>(view.corners.size()),
                                 kMostOfTheRest * static_cast<double>(rest.size())});
  if (static_cast<double>(rest.size()) < least) return std::nullopt;
  std::optional<Misread> best;
  double most = 0.0;
  for (int rows = -kMostCells; rows <= kMostCells; ++rows) {
    for (int columns = -kMostCells; columns <= kMostCells; ++columns) {
      const Eigen::Vector3d move(columns * pitch.x(), rows * pitch.y(), 0.0);
      double count = 0.0;
      for (const std::size_t c : rest) {
        const auto p = predicted(fit, frame.camera_from_chart, view.corners[c].p_chart_mm + move);
        if (p && (*p - view.corners[c].p_plate_px).norm() <= limit_px) count += 1.0;
      }
      if (count < least || count <= most) continue;
      most = count;
      best = Misread{.frame = 0,
                     .columns = columns,
                     .rows = rows,
                     .share = count / static_cast<double>(view.corners.size())};
    }
  }
  return best;
}

}  // namespace

std::optional<Warning> warning_of(const std::vector<Misread>& misread, const LensFit& fit) {
  if (misread.empty()) return std::nullopt;
  std::string named;
  for (std::size_t i = 0; i < std::min(misread.size(), kNamed); ++i) {
    const Misread& one = misread[i];
    named += fmt::format("{}{}: {:.0f} % of its corners fit {:+} columns and {:+} rows further",
                         i > 0 ? "; " : "",
                         fit.frames[one.frame].frame,
                         100.0 * one.share,
                         one.columns,
                         one.rows);
  }
  if (misread.size() > kNamed) named += "; ...";
  return Warning{
      .code = "misread-frames",
      .message = fmt::format("{} frame{} with a part of the chart numbered wrongly ({}): "
                             "those corners are left out, check the frame's detection",
                             misread.size(),
                             misread.size() == 1 ? "" : "s",
                             named),
      .value = static_cast<double>(misread.size())};
}

std::vector<Misread> misread_frames(const std::vector<target::View>& views, const LensFit& fit) {
  std::vector<Misread> result;
  for (std::size_t f = 0; f < fit.frames.size(); ++f) {
    if (!fit.frames[f].has_pose) continue;
    std::optional<Misread> one = misread(fit, fit.frames[f], views[f]);
    if (!one) continue;
    one->frame = f;
    result.push_back(*one);
  }
  return result;
}

}  // namespace trueplate::fit::detail
