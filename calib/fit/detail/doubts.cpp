#include "calib/fit/detail/doubts.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "calib/fit/detail/map_uncertainty.h"
#include "calib/fit/detail/misread.h"

namespace trueplate::fit::detail {
namespace {

// Every limit below is common practice without a source, unless it says otherwise.
constexpr int kFewFrames = 10;  // 10 to 20 frames are usual
constexpr int kFewTilts = 3;
constexpr double kSameTiltDeg = 5.0;
constexpr double kLittleTiltDeg = 10.0;
constexpr double kSmallHull = 0.6;
constexpr double kShortReach = 0.8;
constexpr double kFairRmsPx = 0.3;
constexpr double kHighRmsPx = 1.0;
constexpr double kVeryHighRmsPx = 2.0;
constexpr double kUncertainFocal = 0.005;
constexpr double kFarPrincipal = 0.05;
constexpr double kUncertainPrincipal = 0.005;
constexpr double kHeldOutExcess = 1.3;  // over what the noise alone would give
constexpr double kManyRejected = 0.05;
constexpr double kManyOfFrame = 0.15;
constexpr double kUncertainMapPx = 0.5;
constexpr double kWrongRatio = 0.01;
constexpr double kSystematic = 0.25;    // white noise stays below 0.12
constexpr double kSystematicPx = 0.05;  // below this, per coordinate, nobody sees it
constexpr double kSignificant = 3.0;    // standard deviations
constexpr double kMisfitChance = 1e-3;
constexpr int kNamedFrames = 4;
constexpr double kMisfitPx = 0.02;  // below, a hundred times less than any marker is placed

class Collector {
 public:
  void add(std::string code, double value, std::string message) {
    warnings_.push_back({std::move(code), std::move(message), value});
  }
  void add(const std::optional<Warning>& warning) {
    if (warning) warnings_.push_back(*warning);
  }
  std::vector<Warning> take() { return std::move(warnings_); }

 private:
  std::vector<Warning> warnings_;
};

/// Number of differently tilted views: a greedy count of chart normals that are apart.
int num_distinct_tilts(const LensFit& fit) {
  std::vector<Eigen::Vector3d> normals;
  const double closest = std::cos(kSameTiltDeg * EIGEN_PI / 180.0);
  for (const FrameFit& frame : fit.frames) {
    if (!frame.used) continue;
    const Eigen::Vector3d& n = frame.chart_normal;
    const bool known = std::any_of(
        normals.begin(), normals.end(), [&](const auto& other) { return n.dot(other) > closest; });
    if (!known) normals.push_back(n);
  }
  return static_cast<int>(normals.size());
}

/// Over how many degrees the chart was turned in the picture, between the used views.
double roll_range_deg(const LensFit& fit) {
  std::vector<double> rolls;
  for (const FrameFit& frame : fit.frames) {
    if (!frame.used) continue;
    const Eigen::Matrix3d& r = frame.camera_from_chart.rotation;
    // A grid looks the same after half a turn.
    const double roll = std::atan2(r(1, 0), r(0, 0)) * 180.0 / EIGEN_PI;
    rolls.push_back(roll < 0.0 ? roll + 180.0 : roll);
  }
  if (rolls.empty()) return 0.0;
  std::sort(rolls.begin(), rolls.end());
  // The whole half turn less its largest gap.
  double gap = rolls.front() + 180.0 - rolls.back();
  for (std::size_t i = 1; i < rolls.size(); ++i) gap = std::max(gap, rolls[i] - rolls[i - 1]);
  return 180.0 - gap;
}

/// Area of the convex hull of the points (Andrew's monotone chain).
double hull_area(std::vector<Point2d> points) {
  const auto less = [](const Point2d& a, const Point2d& b) {
    return a.x() < b.x() || (a.x() == b.x() && a.y() < b.y());
  };
  const auto turn = [](const Point2d& a, const Point2d& b, const Point2d& c) {
    return (b.x() - a.x()) * (c.y() - a.y()) - (b.y() - a.y()) * (c.x() - a.x());
  };
  std::sort(points.begin(), points.end(), less);
  double twice_area = 0.0;
  for (int side = 0; side < 2; ++side) {
    std::vector<Point2d> chain;
    for (const Point2d& p : points) {
      while (chain.size() > 1 && turn(chain[chain.size() - 2], chain.back(), p) <= 0.0) {
        chain.pop_back();
      }
      chain.push_back(p);
    }
    for (std::size_t i = 0; i + 1 < chain.size(); ++i) {
      twice_area += chain[i].x() * chain[i + 1].y() - chain[i + 1].x() * chain[i].y();
    }
    std::reverse(points.begin(), points.end());
  }
  return 0.5 * std::abs(twice_area);
}

void about_geometry(const LensFit& fit, const FitOptions& options, Collector& out) {
  const int tilts = num_distinct_tilts(fit);
  if (tilts < kFewTilts && options.focal_mode != FocalMode::kFixed) {
    out.add("few-tilts",
            tilts,
            fmt::format("{} differently tilted view{} (views closer than {} degrees count as one): "
                        "at least {} are wanted, add frames with the chart turned left, right, up "
                        "and down",
                        tilts,
                        tilts == 1 ? "" : "s",
                        kSameTiltDeg,
                        kFewTilts));
  }
  if (fit.num_frames < kFewFrames) {
    out.add(
        "few-frames",
        fit.num_frames,
        fmt::format("{} frame{} used: 10 to 20 are usual, add frames to average out noise and an "
                    "uneven chart",
                    fit.num_frames,
                    fit.num_frames == 1 ? "" : "s"));
  }
  double largest_tilt = 0.0;
  for (const FrameFit& frame : fit.frames) {
    if (frame.used) largest_tilt = std::max(largest_tilt, frame.tilt_deg);
  }
  if (largest_tilt < kLittleTiltDeg) {
    out.add(
        "little-tilt",
        largest_tilt,
        fmt::format("the chart is tilted by {:.1f} degrees at most: below {:.0f} the focal length "
                    "cannot be told from the distance, add frames tilted by 20 to 45 degrees",
                    largest_tilt,
                    kLittleTiltDeg));
  }
}

void about_coverage(const LensFit& fit, const std::vector<target::View>& views, Collector& out) {
  const ImageSize plate = fit.lens.plate_size;
  const Point2d centre(0.5 * plate.width, 0.5 * plate.height);
  std::vector<Point2d> seen;
  double reach = 0.0;
  for (std::size_t i = 0; i < views.size(); ++i) {
    for (std::size_t c = 0; c < views[i].corners.size(); ++c) {
      if (!fit.frames[i].points[c].used) continue;
      seen.push_back(views[i].corners[c].p_plate_px);
      reach = std::max(reach, (seen.back() - centre).norm());
    }
  }
  reach /= centre.norm();
  const double hull =
      hull_area(std::move(seen)) / (static_cast<double>(plate.width) * plate.height);
  const double unseen_px = map_sigma(fit).max_px;
  const bool fails = fit.misfit && fit.misfit->present();
  const std::string_view provided = fails ? "" : ", if the model holds";
  if (hull < kSmallHull) {
    out.add("poor-coverage",
            hull,
            fmt::format("the corners cover {:.0f} % of the frame: outside them the lens is "
                        "extrapolated (the map is off by up to {:.2g} px there, one standard "
                        "deviation{}), bring the chart to the edges",
                        100.0 * hull,
                        unseen_px,
                        provided));
  }
  if (reach < kShortReach) {
    out.add(
        "short-reach",
        reach,
        fmt::format("the corners reach {:.0f} % of the way from the frame's centre to its "
                    "corner: distortion is largest where none was seen (the map is off by up to "
                    "{:.2g} px there, one standard deviation{}), bring the chart into the corners",
                    100.0 * reach,
                    unseen_px,
                    provided));
  }
}

void about_lens(const LensFit& fit, const FitOptions& options, Collector& out) {
  const double share = lens::invertible_share_of_border(fit.lens);
  if (share < 1.0) {
    out.add(
        "no-flat-picture",
        share,
        fmt::format("only {:.1f} % of the frame's border lies less than 90 degrees off the axis: "
                    "a straightened picture and its maps leave out the rest, rays do not",
                    100.0 * share));
  }
  const double focal_doubt =
      std::max(fit.sigma(0) / fit.lens.focal_px.x(), fit.sigma(1) / fit.lens.focal_px.y());
  if (focal_doubt > kUncertainFocal) {
    out.add("uncertain-focal",
            focal_doubt,
            fmt::format("the focal length is known to {:.2f} % (one standard deviation) only: add "
                        "tilted frames, or frames with a larger chart",
                        100.0 * focal_doubt));
  }
  const double longer = std::max(fit.lens.plate_size.width, fit.lens.plate_size.height);
  const double centre_doubt = std::max(fit.sigma(2), fit.sigma(3)) / longer;
  if (centre_doubt > kUncertainPrincipal) {
    out.add(
        "uncertain-principal-point",
        centre_doubt,
        fmt::format("the principal point is known to {:.2g} x {:.2g} px only ({:.1f} % of the "
                    "plate's longer side; the chart was rolled over {:.0f} degrees): add tilted "
                    "frames, some with the camera or the chart rolled by 90 degrees",
                    fit.sigma(2),
                    fit.sigma(3),
                    100.0 * centre_doubt,
                    roll_range_deg(fit)));
  }
  const Point2d centre(0.5 * fit.lens.plate_size.width, 0.5 * fit.lens.plate_size.height);
  const double off = (fit.lens.principal_point_px - centre).norm() /
                     std::max(fit.lens.plate_size.width, fit.lens.plate_size.height);
  if (off > kFarPrincipal) {
    out.add(
        "principal-point-far",
        off,
        fmt::format("the principal point is {:.1f} % of the plate's longer side away from the "
                    "centre (x known to {:.2g} px, y to {:.2g} px): right for a cropped plate or a "
                    "shifted lens, else a sign of weak frames",
                    100.0 * off,
                    fit.sigma(2),
                    fit.sigma(3)));
  }
  const double ratio = fit.lens.focal_px.x() / fit.lens.focal_px.y();
  const double ratio_off = std::abs(ratio / options.focal_ratio - 1.0);
  const double ratio_sigma =
      std::hypot(fit.sigma(0) / fit.lens.focal_px.x(), fit.sigma(1) / fit.lens.focal_px.y());
  if (options.focal_mode == FocalMode::kFree && ratio_off > kWrongRatio &&
      ratio_off > 3.0 * ratio_sigma) {
    out.add(
        "focal-ratio",
        ratio,
        fmt::format("the focal length ratio x / y is {:.4f}, the pixel aspect says {:.4f}: check "
                    "pixel aspect and squeeze (a 2x lens may measure a few percent off), and "
                    "whether the chart's cells are square",
                    ratio,
                    options.focal_ratio));
  }
  const MapSigma map = map_sigma(fit);
  if (map.max_px > kUncertainMapPx) {
    const Eigen::Index first = kNumPinhole;
    Eigen::Index weakest = first;
    for (Eigen::Index i = first; i < fit.sigma.size(); ++i) {
      const auto doubt = [&](Eigen::Index k) {
        return fit.sigma(k) / std::max(std::abs(fit.parameters(k)), 1e-300);
      };
      if (doubt(i) > doubt(weakest)) weakest = i;
    }
    out.add("uncertain-map",
            map.max_px,
            fmt::format(
                "the predicted error at ({:.0f}, {:.0f}) is {:.2f} px (one standard deviation, "
                "after camera rotation and focal length; least certain: {} = {:.3g} +- {:.2g}): "
                "add frames with corners there",
                map.worst_plate_px.x(),
                map.worst_plate_px.y(),
                map.max_px,
                fit.parameter_names[static_cast<std::size_t>(weakest)],
                fit.parameters(weakest),
                fit.sigma(weakest)));
  }
}

void about_chart(const LensFit& fit, const FitOptions& options, Collector& out) {
  const ChartFit& chart = fit.chart;
  const bool forced =
      options.chart_shape != ChartShape::kAuto && options.chart_shape != ChartShape::kFlat;
  // A shape that was asked for is fitted whether there is one or not.
  if (chart.bend_mm && !(forced && chart.bend_mm->value < kSignificant * chart.bend_mm->sigma)) {
    out.add(
        "chart-bent",
        chart.bend_mm->value,
        fmt::format("the chart is not flat: up to {:.3g} mm (+- {:.2g}) off its best plane; the "
                    "lens was fitted along with its shape, a flat chart gives a surer lens",
                    chart.bend_mm->value,
                    chart.bend_mm->sigma));
  }
  if (chart.print_error_mm && !(forced && !(chart.print_error_mm->value > 0.0))) {
    out.add("chart-misprinted",
            chart.print_error_mm->value,
            fmt::format("the chart's points are {:.3g} mm (rms) off their places; the lens was "
                        "fitted along with them",
                        chart.print_error_mm->value));
  } else if (chart.pitch_ratio && !(forced && std::abs(chart.pitch_ratio->value - 1.0) <
                                                  kSignificant * chart.pitch_ratio->sigma)) {
    out.add(
        "chart-stretched",
        chart.pitch_ratio->value,
        fmt::format("the chart's pitch along y is {:.5f} (+- {:.2g}) times as long as described, "
                    "relative to x: measure the print and state both",
                    chart.pitch_ratio->value,
                    chart.pitch_ratio->sigma));
  }
  if (forced && chart.as_described()) {
    out.add("chart-not-fitted",
            fit.num_frames,
            fmt::format("the chart's shape ({}) was to be fitted, but was taken as described: {}",
                        chart_shape_name(options.chart_shape),
                        chart.reason.empty() ? "the frames do not determine it" : chart.reason));
  }
}

/// By how much standard deviations are too small at worst, where a share of the variance is common
/// to all of a frame's corners (L. Kish, Survey Sampling, 1965: the design effect of a cluster).
double too_small_by(double common_share, double corners_per_frame) {
  return std::sqrt(1.0 + common_share * (corners_per_frame - 1.0));
}

/// What neighbouring corners share: a pattern that stays on the plate is the lens, another is not.
void about_patterns(const LensFit& fit, const FitOptions& options, Collector& out) {
  double rest_px = fit.noise_sigma_px;
  if (fit.misfit && fit.misfit->present() && fit.misfit->p_value < kMisfitChance) {
    const MapMisfit& misfit = *fit.misfit;
    rest_px = misfit.noise_sigma_px;
    if (misfit.rms_px > kMisfitPx) {
      out.add(
          "model-misfit",
          misfit.rms_px,
          fmt::format("the residuals have a pattern over the plate that noise does not make (by "
                      "chance: {:.1g}): {} cannot follow this lens, and for that alone the map "
                      "is off by {:.2g} px over the plate, {:.2g} px at ({:.0f}, {:.0f}); the "
                      "corners' noise is {:.2g} px; {}",
                      std::max(misfit.p_value, 1e-300),
                      lens::model_name(fit.lens.model),
                      misfit.rms_px,
                      misfit.max_px,
                      misfit.worst_plate_px.x(),
                      misfit.worst_plate_px.y(),
                      misfit.noise_sigma_px,
                      options.model_was_chosen
                          ? "none of the other models follows it significantly better"
                          : "another model may follow it: --model auto tries them all"));
    }
  }
  if (!fit.systematic_share || !(rest_px > 0.0)) return;
  const double local_px =
      fit.noise_sigma_px * std::sqrt(std::max(0.0, 1.0 - *fit.systematic_share));
  const double share = 1.0 - local_px * local_px / (rest_px * rest_px);
  if (share > kSystematic && rest_px * std::sqrt(share) > kSystematicPx) {
    const double per_frame = fit.num_points / std::max(1.0, static_cast<double>(fit.num_frames));
    out.add("systematic-residuals",
            share,
            fmt::format(
                "{:.0f} % of the residuals' variance, {:.2g} px a coordinate, is the same for "
                "neighbouring corners of a frame, so it is not noise, and no pattern of the "
                "lens either: the chart is bent, the focus was pulled or the camera moved; "
                "the standard deviations are too small, up to {:.0f} times{}",
                100.0 * share,
                rest_px * std::sqrt(share),
                too_small_by(share, per_frame),
                fit.chart.reason.empty()
                    ? ""
                    : fmt::format(" (the chart's shape was not fitted: {})", fit.chart.reason)));
  }
}

void about_residuals(const LensFit& fit,
                     const FitOptions& options,
                     double held_out_per_noise,
                     Collector& out) {
  if (fit.rms_px > kVeryHighRmsPx) {
    out.add(
        "very-high-rms",
        fit.rms_px,
        fmt::format("rms {:.2f} px is above {:.0f} px: the chart's description, the detection or "
                    "the model is wrong, do not use this lens",
                    fit.rms_px,
                    kVeryHighRmsPx));
  } else if (fit.rms_px > kHighRmsPx) {
    out.add("high-rms",
            fit.rms_px,
            fmt::format("rms {:.2f} px is above {:.0f} px: look at the worst frames for blur and "
                        "check that the chart is flat",
                        fit.rms_px,
                        kHighRmsPx));
  } else if (fit.rms_px > kFairRmsPx) {
    out.add(
        "fair-rms",
        fit.rms_px,
        fmt::format("rms {:.2f} px is above {:.1f} px, which sharp frames of a flat chart reach: "
                    "look at the worst frames",
                    fit.rms_px,
                    kFairRmsPx));
  }
  about_patterns(fit, options, out);
  const double expected = fit.noise_sigma_px * held_out_per_noise;
  if (fit.held_out_rms_px && *fit.held_out_rms_px > kHeldOutExcess * expected) {
    const double excess = *fit.held_out_rms_px / expected;
    out.add("held-out-worse",
            excess,
            fmt::format(
                "frames left out of the fit are off by {:.3f} px, {:.2f} times the {:.3f} px that "
                "the noise alone would give: the lens follows its own frames, add more, and "
                "check that the chart is flat",
                *fit.held_out_rms_px,
                excess,
                expected));
  }
}

void about_rejection(const LensFit& fit, int num_other_size, Collector& out) {
  int rejected_corners = 0;
  int corners = 0;
  int rejected_frames = 0;
  std::string named;
  int hard_hit = 0;
  std::string hit;
  for (const FrameFit& frame : fit.frames) {
    if (!frame.used) {
      if (++rejected_frames <= kNamedFrames) {
        named += fmt::format("{}{}: {}", named.empty() ? "" : "; ", frame.frame, frame.reason);
      }
      continue;
    }
    corners += frame.num_points;
    const int left_out = frame.num_points - frame.num_used;
    rejected_corners += left_out;
    if (left_out > kManyOfFrame * frame.num_points && ++hard_hit <= kNamedFrames) {
      hit += fmt::format("{}{} of {} in {}",
                         hit.empty() ? ", of them " : ", ",
                         left_out,
                         frame.num_points,
                         frame.frame);
    }
  }
  if (rejected_frames > 0) {
    out.add("frames-rejected",
            rejected_frames,
            fmt::format("{} of {} frames with a chart are not used ({}{})",
                        rejected_frames,
                        fit.frames.size(),
                        named,
                        rejected_frames > kNamedFrames ? "; ..." : ""));
  }
  const double share =
      corners > 0 ? static_cast<double>(rejected_corners) / static_cast<double>(corners) : 0.0;
  if (share > kManyRejected || hard_hit > 0) {
    out.add(
        "many-rejected",
        share,
        fmt::format("{} of {} corners ({:.1f} %) of the used frames are left out{}{}: look at "
                    "the frames for blur, reflections, a bent chart or corners numbered wrongly",
                    rejected_corners,
                    corners,
                    100.0 * share,
                    hit,
                    hard_hit > kNamedFrames ? ", ..." : ""));
  }
  if (num_other_size > 0) {
    out.add("mixed-sizes",
            num_other_size,
            fmt::format("{} frame{} of another size than {}x{} left out: calibrate each format by "
                        "itself",
                        num_other_size,
                        num_other_size == 1 ? "" : "s",
                        fit.lens.plate_size.width,
                        fit.lens.plate_size.height));
  }
}

}  // namespace

std::vector<Warning> doubts(const LensFit& fit,
                            const std::vector<target::View>& views,
                            const FitOptions& options,
                            const DoubtInput& input) {
  Collector out;
  about_geometry(fit, options, out);
  about_coverage(fit, views, out);
  about_lens(fit, options, out);
  about_chart(fit, options, out);
  about_residuals(fit, options, input.held_out_per_noise, out);
  about_rejection(fit, input.num_other_size, out);
  out.add(warning_of(misread_frames(views, fit), fit));
  return out.take();
}

}  // namespace trueplate::fit::detail
