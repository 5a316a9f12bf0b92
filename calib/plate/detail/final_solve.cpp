#include "calib/plate/detail/final_solve.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/grow.h"
#include "calib/plate/detail/lens_scatter.h"
#include "calib/plate/detail/selection.h"

namespace trueplate::plate::detail {
namespace {

/// The frames of the last adjustment.
std::vector<char> bundled_frames(const Shot& shot, std::span<const char> chain) {
  const std::size_t every = 1 + shot.observations.size() / kMostInBundle;
  std::vector<char> frames(chain.begin(), chain.end());
  for (std::size_t f = 0; f < frames.size(); f += every) frames[f] = 1;
  return frames;
}

struct ErrorSum {
  double squares = 0.0;
  double sum = 0.0;
  double max = 0.0;
  int count = 0;

  void add(double error) {
    squares += error * error;
    sum += error;
    max = std::max(max, error);
    ++count;
  }
  [[nodiscard]] ErrorFigures figures() const {
    if (count == 0) return {};
    return {.rms_px = std::sqrt(squares / count),
            .mean_px = sum / count,
            .max_px = max,
            .num_points = count};
  }
  [[nodiscard]] std::optional<double> rms() const {
    return count > 0 ? std::optional(std::sqrt(squares / count)) : std::nullopt;
  }
};

/// How far from the principal point all but the outermost hundredth of the points reach.
double edge_radius(const Shot& shot) {
  std::vector<double> radii;
  for (std::size_t i = 0; i < shot.observations.size(); ++i) {
    if (shot.used[i] == 0) continue;
    radii.push_back((shot.observations[i].p_px - shot.centre_px).norm());
  }
  if (radii.empty()) return 0.0;
  const auto place =
      radii.begin() + static_cast<std::ptrdiff_t>(radii.size() - 1 - radii.size() / 100);
  std::nth_element(radii.begin(), place, radii.end());
  return *place;
}

void measure(const Shot& shot, const Scene& scene, CameraSolve& solve) {
  ErrorSum used, all;
  std::vector<ErrorSum> tracks(static_cast<std::size_t>(shot.num_tracks));
  std::vector<ErrorSum> frames(static_cast<std::size_t>(shot.num_frames));
  std::array<ErrorSum, 4> rings;
  std::array<double, 4> radial{};
  const double edge_px = edge_radius(shot);
  solve.residuals_px.resize(shot.observations.size());
  for (std::size_t i = 0; i < shot.observations.size(); ++i) {
    const Observation& observation = shot.observations[i];
    const std::optional<Point2d> off = residual_px(shot, scene, observation);
    if (!off || !off->allFinite()) continue;
    const Point2d residual = -*off;
    solve.residuals_px[i] = residual;
    const double error = residual.norm();
    all.add(error);
    tracks[static_cast<std::size_t>(observation.track)].add(error);
    if (shot.used[i] == 0) continue;
    used.add(error);
    frames[static_cast<std::size_t>(observation.frame)].add(error);
    const Point2d from_centre = observation.p_px - shot.centre_px;
    const double place = 4.0 * from_centre.norm() / std::max(edge_px, 1e-9);
    const auto ring = static_cast<std::size_t>(std::clamp(place, 0.0, 3.0));
    rings[ring].add(error);
    radial[ring] += residual.dot(from_centre.normalized());
  }
  solve.used = used.figures();
  solve.all = all.figures();
  for (const ErrorSum& sum : tracks) solve.track_rms_px.push_back(sum.rms());
  for (const ErrorSum& sum : frames) solve.frame_rms_px.push_back(sum.rms());
  for (std::size_t ring = 0; ring < rings.size(); ++ring) {
    const int count = rings[ring].count;
    solve.rings[ring] = {.outer_radius_px = 0.25 * edge_px * static_cast<double>(ring + 1),
                         .rms_px = rings[ring].rms().value_or(0.0),
                         .mean_radial_px = count > 0 ? radial[ring] / count : 0.0,
                         .num_points = count};
  }
}

lens::Lens lens_of(const FinalSolve& plan, const Scene& scene) {
  const Shot& shot = *plan.shot;
  lens::Lens lens;
  if (plan.profile != nullptr) {
    lens = lens::scaled_to(*plan.profile, shot.plate_size);
    return lens;
  }
  lens.plate_size = shot.plate_size;
  lens.focal_px = scene.focal_px() * Point2d(1.0, shot.focal_ratio);
  lens.principal_point_px = shot.centre_px;
  lens.model = lens::RadialTangential({scene.intrinsics(1), scene.intrinsics(2), 0.0, 0.0, 0.0});
  return lens;
}

std::string estimate_words(const LensEstimate& lens, double scale, bool beside_profile) {
  const double limit_px = kEdgeSigmaPx * scale;
  if (!std::isfinite(lens.edge_sigma_px)) {
    return "The tracks do not determine the lens at all: there are too few, or they see it from "
           "too few places.";
  }
  const std::string focal =
      lens.focal_sigma_px
          ? fmt::format(", focal length {:.0f} +- {:.0f} px", lens.focal_px, *lens.focal_sigma_px)
          : std::string();
  constexpr double kToldScatter = 2.5;
  const std::string scatter =
      lens.scatter > kToldScatter
          ? fmt::format(
                " Parts of the shot disagree about it {:.1f} times as much as the noise "
                "of the points explains, which is counted in: tracks that drift, or more "
                "to the lens than this.",
                lens.scatter)
          : std::string();
  if (beside_profile) {
    return fmt::format(
        "For comparison, a lens from these tracks alone: {:.2f} +- {:.2f} px at {:.0f} px from the "
        "middle{}; {}.{}",
        lens.edge_shift_px,
        lens.edge_sigma_px,
        lens.edge_radius_px,
        focal,
        lens.determined ? "they determine it" : "they do not determine it well enough to be used",
        scatter);
  }
  if (lens.edge_by_focal_px > 0.5 * limit_px) {
    return fmt::format(
        "{} the lens: {:.2f} +- {:.2f} px at {:.0f} px from the middle. With the focal length that "
        "fits these tracks best it would be another by {:.2f} px there, which is counted in; leave "
        "the focal length open, or measure it.{}",
        lens.determined ? "The tracks determine" : "The tracks do not determine",
        lens.edge_shift_px,
        lens.edge_sigma_px,
        lens.edge_radius_px,
        lens.edge_by_focal_px,
        scatter);
  }
  if (lens.determined) {
    return fmt::format(
        "The tracks determine the lens: {:.2f} +- {:.2f} px at {:.0f} px from the middle{}.{}",
        lens.edge_shift_px,
        lens.edge_sigma_px,
        lens.edge_radius_px,
        focal,
        scatter);
  }
  constexpr double kNearly = 1.25;
  if (lens.edge_sigma_px > limit_px) {
    return fmt::format(
        "The tracks do not {}determine the lens: {:.2f} +- {:.2f} px at {:.0f} px from the middle, "
        "wanted +- {:.2f}{}; more and steadier tracks near the corners would, or a chart.{}",
        lens.edge_sigma_px < kNearly * limit_px ? "quite " : "",
        lens.edge_shift_px,
        lens.edge_sigma_px,
        lens.edge_radius_px,
        limit_px,
        focal,
        scatter);
  }
  return fmt::format(
      "The tracks determine the distortion, but not the focal length: {:.0f} +- {:.0f} px, wanted "
      "{:.1f} %; give --focal.{}",
      lens.focal_px,
      lens.focal_sigma_px.value_or(0.0),
      100.0 * kFocalSigma,
      scatter);
}

LensEstimate estimate_of(const FinalSolve& plan, const Scene& scene, double variance) {
  LensEstimate lens;
  lens.num_radial = plan.num_radial;
  lens.focal_px = scene.focal_px();
  lens.radial = {scene.intrinsics(1), scene.intrinsics(2)};
  const double radius = edge_radius(*plan.shot);
  const double u2 = std::pow(radius / lens.focal_px, 2.0);
  lens.edge_radius_px = radius;
  lens.edge_shift_px = radius * u2 * (lens.radial[0] + u2 * lens.radial[1]);
  lens.edge_sigma_px = std::numeric_limits<double>::infinity();
  const BundleOptions options{.free_focal = plan.free_focal, .num_radial = plan.num_radial};
  std::optional<IntrinsicsDoubt> doubt = intrinsics_doubt(*plan.shot, options, scene, variance);
  if (!doubt) return lens;
  Eigen::MatrixXd& covariance = doubt->covariance;
  lens.scatter = std::sqrt(covariance(0, 0) / doubt->by_noise(0, 0));
  if (!plan.free_focal) {
    const Eigen::VectorXd change = plan.radial_by_focal.head(plan.num_radial);
    covariance += change * change.transpose();
    lens.edge_by_focal_px =
        std::abs(radius * u2 * (plan.radial_by_focal(0) + u2 * plan.radial_by_focal(1)));
  }
  const Eigen::Index first = plan.free_focal ? 1 : 0;
  Eigen::VectorXd gradient(first + plan.num_radial);
  if (plan.free_focal) {
    gradient(0) = -radius * u2 * (2.0 * lens.radial[0] + 4.0 * u2 * lens.radial[1]);
    lens.focal_sigma_px = lens.focal_px * std::sqrt(covariance(0, 0));
  }
  for (int term = 0; term < plan.num_radial; ++term) {
    gradient(first + term) = radius * std::pow(u2, term + 1.0);
    lens.radial_sigma[static_cast<std::size_t>(term)] =
        std::sqrt(covariance(first + term, first + term));
  }
  // Of ln f to f.
  Eigen::VectorXd units = Eigen::VectorXd::Ones(first + plan.num_radial);
  if (plan.free_focal) units(0) = lens.focal_px;
  lens.covariance.block(1 - first, 1 - first, units.size(), units.size()) =
      units.asDiagonal() * covariance * units.asDiagonal();
  lens.edge_sigma_px = std::sqrt(std::max(0.0, gradient.dot(covariance * gradient)));
  lens.determined = lens.edge_sigma_px <= kEdgeSigmaPx * plan.shot->scale() &&
                    (!lens.focal_sigma_px || *lens.focal_sigma_px <= kFocalSigma * lens.focal_px);
  return lens;
}

}  // namespace

FinalResult solve_fully(const FinalSolve& plan, std::span<const char> chain) {
  const Shot& shot = *plan.shot;
  Scene scene = *plan.start;
  BundleOptions options{.free_focal = plan.free_focal,
                        .num_radial = plan.num_radial,
                        .cauchy_px = cauchy_scale_px(shot, scene),
                        .frames = chain};
  // The start may be of another lens.
  bundle(shot, options, scene);
  options.cauchy_px = 0.0;
  bundle(shot, options, scene);
  extend_scene(shot, scene);
  const std::vector<char> frames = bundled_frames(shot, chain);
  options.frames = frames;
  const BundleSummary summary = bundle(shot, options, scene);
  // Frames beside the adjustment follow the points.
  for (std::size_t f = 0; f < frames.size(); ++f) {
    if (frames[f] == 0) scene.poses[f].reset();
  }
  extend_scene(shot, scene);
  place_left_out(shot, scene);

  FinalResult result;
  CameraSolve& solve = result.solve;
  solve.lens_use = plan.lens_use;
  solve.focal_solved = plan.free_focal;
  solve.lens = lens_of(plan, scene);
  for (const std::optional<PoseVector>& pose : scene.poses) {
    solve.poses.push_back(pose ? std::optional(CameraPose{rotation_of(*pose), pose->tail<3>()})
                               : std::nullopt);
  }
  solve.points = scene.points;
  measure(shot, scene, solve);
  if (plan.num_radial > 0) {
    const double free =
        freedom(select(shot, options, scene), plan.num_radial + (plan.free_focal ? 1 : 0));
    result.lens = estimate_of(plan, scene, summary.sum_of_squares / std::max(1.0, free));
    result.lens.words = estimate_words(result.lens, shot.scale(), plan.beside_profile);
  }
  return result;
}

}  // namespace trueplate::plate::detail
