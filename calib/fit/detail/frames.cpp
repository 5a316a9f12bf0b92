#include "calib/fit/detail/frames.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/base/interrupt.h"
#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/residual_pattern.h"
#include "calib/lens/model.h"

namespace trueplate::fit::detail {
namespace {

// Median length of a vector of two independent Gaussian coordinates with sigma 1: sqrt(2 ln 2).
constexpr double kMedianLength = 1.1774100225154747;
// However exact the rest is, a corner this close is never called wrong.
constexpr double kNeverRejectPx = 0.05;
// A frame loses its other corners too when it keeps fewer than this share of them.
constexpr double kSmallestKeptShare = 0.5;
constexpr std::size_t kSmallestView = 4;
// A frame whose residuals have more in common than noise lets neighbours have, by this multiple of
// the typical frame's common part and this multiple of the noise, is of another lens state or
// chart. Simulated frames with the focus pulled stand out by 3 to 10 times; of simulated noise
// alone none in 10,000 reaches the second limit.
constexpr double kMisfitFactor = 3.0;
constexpr double kMisfitPerNoise = 1.25;
constexpr std::size_t kFewestForMisfit = 6;
constexpr double kMostMisfits = 1.0 / 3.0;

double median(std::vector<double>& values) {
  if (values.empty()) return 0.0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

double length_at(const Frame& frame, std::size_t i) {
  return std::hypot(frame.residuals[2 * i], frame.residuals[2 * i + 1]);
}

ViewPoints select(const ViewPoints& points, const std::vector<char>& used) {
  ViewPoints result;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (used[i]) result.append(points, i);
  }
  return result;
}

}  // namespace

Frames::Frames(const ModelKernel& kernel, const Screened& screened, const Pinhole& pinhole)
    : kernel_(&kernel), screened_(&screened) {
  for (const ScreenedView& s : screened.views) {
    if (!s.usable()) continue;
    Frame frame;
    frame.screened = &s;
    frame.pose = s.pose(pinhole);
    frame.used.assign(s.points.size(), 1);
    frame.reasons.resize(s.points.size());
    frame.points = s.points;
    frame.fitted = s.points;
    all.push_back(std::move(frame));
  }
}

void Frames::continue_with(const ModelKernel& kernel) {
  kernel_ = &kernel;
  for (Frame& frame : all) {
    frame.active = true;
    frame.reason.clear();
    frame.used.assign(frame.screened->points.size(), 1);
    frame.fitted = frame.screened->points;
  }
}

int Frames::num_active() const {
  return static_cast<int>(
      std::count_if(all.begin(), all.end(), [](const Frame& frame) { return frame.active; }));
}

std::vector<const ViewPoints*> Frames::fitted_views() const {
  std::vector<const ViewPoints*> result;
  for (const Frame& frame : all) {
    if (frame.active) result.push_back(&frame.fitted);
  }
  return result;
}

std::vector<Pose> Frames::active_poses() const {
  std::vector<Pose> result;
  for (const Frame& frame : all) {
    if (frame.active) result.push_back(frame.pose);
  }
  return result;
}

void Frames::set_active_poses(const std::vector<Pose>& poses) {
  std::size_t next = 0;
  for (Frame& frame : all) {
    if (frame.active) frame.pose = poses[next++];
  }
}

void Frames::set_chart(const std::vector<Eigen::Vector3d>& positions) {
  for (Frame& frame : all) {
    set_positions(positions, frame.points);
    set_positions(positions, frame.fitted);
  }
}

void Frames::turn(const std::vector<char>& turned, const HalfTurn& half_turn) {
  std::size_t next = 0;
  for (Frame& frame : all) {
    if (!frame.active || !turned[next++]) continue;
    half_turn.apply(frame.points);
    half_turn.apply(frame.fitted);
    frame.pose = half_turn.apply(frame.pose);
    frame.turned = !frame.turned;
  }
}

std::string Frames::first_reason() const {
  for (const Frame& frame : all) {
    if (!frame.active) return frame.reason;
  }
  return "no frames";
}

void Frames::predict(Frame& frame, const Eigen::VectorXd& intrinsics) const {
  std::optional<std::vector<double>> residuals =
      residuals_of(*kernel_, frame.points, intrinsics, frame.pose);
  if (!residuals) {
    frame.residuals.clear();
    frame.sigma_px = std::numeric_limits<double>::infinity();
    return;
  }
  frame.residuals = *std::move(residuals);
  std::vector<double> lengths(frame.points.size());
  for (std::size_t i = 0; i < lengths.size(); ++i) lengths[i] = length_at(frame, i);
  frame.sigma_px = median(lengths) / kMedianLength;
}

void Frames::update(const Eigen::VectorXd& intrinsics) {
  for (Frame& frame : all) {
    predict(frame, intrinsics);
    if (frame.active && frame.residuals.empty()) {
      frame.active = false;
      frame.reason = "no pose was found that puts all corners in front of the camera";
      lost_frames_ = true;
    }
  }
}

double Frames::robust_sigma_px() const {
  std::vector<double> lengths;
  for (const Frame& frame : all) {
    for (std::size_t i = 0; 2 * i < frame.residuals.size(); ++i) {
      lengths.push_back(length_at(frame, i));
    }
  }
  return median(lengths) / kMedianLength;
}

double Frames::typical_residual_px(Rejection rejection) const {
  if (rejection == Rejection::kRobust) return robust_sigma_px();
  double squares = 0.0;
  std::size_t count = 0;
  for (const Frame& frame : all) {
    if (!frame.active) continue;
    for (double r : frame.residuals) squares += r * r;
    count += frame.residuals.size();
  }
  return count > 0 ? std::sqrt(squares / static_cast<double>(count))
                   : std::numeric_limits<double>::infinity();
}

double Frames::median_frame_sigma_px() const {
  std::vector<double> sigmas;
  for (const Frame& frame : all) sigmas.push_back(frame.sigma_px);
  return median(sigmas);
}

void Frames::retry_poses(Retry which, const Eigen::VectorXd& intrinsics, double cauchy_scale) {
  const double limit =
      which == Retry::kAll ? -1.0 : std::max(3.0 * median_frame_sigma_px(), kNeverRejectPx);
  std::optional<lens::Lens> lens;
  for (Frame& frame : all) {
    if (is_interrupted(kernel_->interrupt)) return;
    const bool bad = !(frame.sigma_px <= limit);
    if (frame.active && (!bad || which == Retry::kInactive)) continue;
    // The old pose, moved to where the current lens wants it, and one made without it.
    Frame trial = frame;
    const auto consider = [&](const Pose& start) {
      trial.pose = start;
      if (!adjust_pose(*kernel_, frame.points, intrinsics, cauchy_scale, trial.pose)) {
        return;
      }
      predict(trial, intrinsics);
      if (trial.sigma_px < frame.sigma_px) {
        frame.pose = trial.pose;
        frame.residuals = trial.residuals;
        frame.sigma_px = trial.sigma_px;
      }
    };
    consider(frame.pose);
    if (frame.sigma_px <= limit) continue;
    if (!lens) {
      Result<lens::Lens> made = lens_of(*kernel_, intrinsics, screened_->plate_size);
      if (!made) return;
      lens = *std::move(made);
    }
    const std::optional<Pose> fresh =
        pose_through_lens(frame.points, frame.screened->plane_from_chart, *lens);
    if (fresh) consider(*fresh);
  }
}

bool Frames::decide(double limit_sigma, double frame_limit_factor) {
  const double sigma = robust_sigma_px();
  const double median_sigma = median_frame_sigma_px();
  bool changed = std::exchange(lost_frames_, false);
  std::vector<std::pair<bool, std::vector<char>>> before;
  for (Frame& frame : all) {
    before.emplace_back(frame.active, frame.used);
    const std::size_t n = frame.points.size();
    frame.active = true;
    frame.reason.clear();
    frame.reasons.assign(n, {});
    frame.used.assign(n, 1);

    const double frame_limit = std::max(frame_limit_factor * median_sigma, kNeverRejectPx);
    if (frame.residuals.empty()) {
      frame.active = false;
      frame.reason = "no pose was found that puts all corners in front of the camera";
    } else if (frame.sigma_px > frame_limit) {
      frame.active = false;
      frame.reason = fmt::format(
          "its corners are off by {:.3g} px (robust sigma), the limit is {:.3g} px: {:.3g} "
          "times the median frame",
          frame.sigma_px,
          frame_limit,
          frame_limit_factor);
    } else {
      const double limit = std::max(limit_sigma * std::max(sigma, frame.sigma_px), kNeverRejectPx);
      std::size_t kept = 0;
      for (std::size_t i = 0; i < n; ++i) {
        const double length = length_at(frame, i);
        if (length <= limit) {
          ++kept;
          continue;
        }
        const double weight = frame.points.root_weight[i];
        frame.used[i] = 0;
        frame.reasons[i] =
            fmt::format("off by {:.3g} px, limit {:.3g} px", length / weight, limit / weight);
      }
      if (kept < kSmallestView || static_cast<double>(kept) < kSmallestKeptShare * n) {
        frame.active = false;
        frame.reason =
            fmt::format("{} of {} corners are off by more than {:.3g} px", n - kept, n, limit);
      } else if (kept < n) {
        frame.fitted = select(frame.points, frame.used);
        if (!determines_homography(frame.fitted, frame.screened->plane_from_chart)) {
          frame.active = false;
          frame.reason = fmt::format("the {} corners left after rejection lie on one line", kept);
        }
      } else {
        frame.fitted = frame.points;
      }
    }
  }
  leave_out_misfits();
  for (std::size_t i = 0; i < all.size(); ++i) {
    const auto& [was_active, was_used] = before[i];
    if (all[i].active != was_active || (was_active && all[i].used != was_used)) changed = true;
  }
  return changed;
}

void Frames::leave_out_misfits() {
  struct Misfit {
    Frame* frame;
    double excess_px;  // of the residuals over what neighbouring corners do not share
    double noise_px;
  };
  std::vector<Misfit> misfits;
  for (Frame& frame : all) {
    if (!frame.active) continue;
    const std::vector<double>& weights = frame.points.root_weight;
    // Neighbours of unequal weight cannot be compared.
    if (std::any_of(weights.begin(), weights.end(), [](double w) { return w != 1.0; })) return;
    const std::optional<double> noise = local_noise_px(frame.points, frame.residuals, frame.used);
    if (!noise) continue;
    double squares = 0.0;
    double freedom = -kNumPose;
    for (std::size_t i = 0; i < frame.used.size(); ++i) {
      if (!frame.used[i]) continue;
      squares += length_at(frame, i) * length_at(frame, i);
      freedom += 2.0;
    }
    const double excess = squares / freedom - *noise * *noise;
    misfits.push_back({&frame, std::sqrt(std::max(0.0, excess)), *noise});
  }
  if (misfits.size() < kFewestForMisfit) return;
  std::vector<double> excesses;
  std::vector<double> noises;
  for (const Misfit& m : misfits) {
    excesses.push_back(m.excess_px);
    noises.push_back(m.noise_px);
  }
  const double typical = median(excesses);
  const double limit =
      std::max({kMisfitFactor * typical, kMisfitPerNoise * median(noises), kNeverRejectPx});
  std::erase_if(misfits, [&](const Misfit& m) { return m.excess_px <= limit; });
  // Where many frames misfit it is the model that is wrong, not the frames.
  if (static_cast<double>(misfits.size()) > kMostMisfits * static_cast<double>(excesses.size())) {
    return;
  }
  for (const Misfit& m : misfits) {
    m.frame->active = false;
    m.frame->reason = fmt::format(
        "its corners are off by {:.3g} px in a way that neighbours share ({:.3g} px in a typical "
        "frame): another focus or zoom, a chart that bent, or motion",
        m.excess_px,
        typical);
  }
}

std::vector<FrameFit> Frames::report(const std::vector<target::View>& views,
                                     const HalfTurn& half_turn) const {
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  std::vector<FrameFit> result(views.size());
  for (std::size_t i = 0; i < views.size(); ++i) {
    result[i].frame = views[i].frame;
    result[i].num_points = static_cast<int>(views[i].corners.size());
    result[i].points.resize(views[i].corners.size());
  }
  for (const ScreenedView& s : screened_->views) {
    FrameFit& out = result[s.index];
    out.reason = s.reason;
    for (std::size_t c = 0; c < out.points.size(); ++c) {
      out.points[c].residual_px = {kNan, kNan};
      out.points[c].reason = s.reasons[c].empty() ? s.reason : s.reasons[c];
    }
  }
  for (const Frame& frame : all) {
    FrameFit& out = result[frame.screened->index];
    out.used = frame.active;
    out.reason = frame.reason;
    out.has_pose = !frame.residuals.empty();
    if (!out.has_pose) continue;
    out.camera_from_chart = frame.turned ? half_turn.apply(frame.pose) : frame.pose;
    const Eigen::Vector3d normal =
        frame.pose.rotation * frame.screened->plane_from_chart.rotation.row(2).transpose();
    out.chart_normal = normal.z() < 0.0 ? Eigen::Vector3d(-normal) : normal;
    out.tilt_deg = std::atan2(normal.head<2>().norm(), std::abs(normal.z())) * 180.0 / EIGEN_PI;
    double squares = 0.0;
    std::size_t count = 0;
    for (std::size_t i = 0; i < frame.used.size(); ++i) {
      PointFit& point = out.points[frame.screened->corner_of[i]];
      const double scale = -1.0 / frame.points.root_weight[i];
      point.residual_px = scale * Point2d(frame.residuals[2 * i], frame.residuals[2 * i + 1]);
      point.used = frame.active && frame.used[i];
      if (point.used) ++out.num_used;
      if (!point.used) {
        point.reason = frame.reasons[i].empty() ? "its frame is not used" : frame.reasons[i];
      }
      if (frame.active && !point.used) continue;
      squares += point.residual_px.squaredNorm();
      ++count;
    }
    if (count > 0) out.rms_px = std::sqrt(squares / static_cast<double>(count));
  }
  return result;
}

}  // namespace trueplate::fit::detail
