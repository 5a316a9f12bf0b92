#include "cli/trial_report.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>

#include "calib/base/counted.h"
#include "calib/base/timestamp.h"
#include "calib/lens/model.h"
#include "calib/plate/usd_camera.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

/// Beyond this many points a solve's residuals are left out of the JSON.
constexpr std::size_t kMostResiduals = 200000;

double number_of(const plate::Tracks& tracks, int frame) {
  return tracks.frames[static_cast<std::size_t>(frame)];
}

const std::string& track_name(const plate::Tracks& tracks, int track) {
  return tracks.names[static_cast<std::size_t>(track)];
}

json point_json(const Point2d& p) { return {{"x", p.x()}, {"y", p.y()}}; }

template <class T>
json or_null(const std::optional<T>& value) {
  return value ? json(*value) : json();
}

json numbers_of(const plate::Tracks& tracks, const std::vector<int>& frames) {
  json list = json::array();
  for (const int frame : frames) list.push_back(number_of(tracks, frame));
  return list;
}

json names_of(const plate::Tracks& tracks, const std::vector<int>& indices) {
  json list = json::array();
  for (const int track : indices) list.push_back(track_name(tracks, track));
  return list;
}

json figures_json(const plate::ErrorFigures& figures) {
  return {{"rms_px", figures.rms_px},
          {"mean_px", figures.mean_px},
          {"max_px", figures.max_px},
          {"points", figures.num_points}};
}

json coefficients_json(const lens::Model& model) {
  json coefficients = json::object();
  const auto names = lens::parameter_names(model);
  const auto values = lens::parameters(model);
  for (std::size_t i = 0; i < names.size(); ++i) coefficients[std::string(names[i])] = values[i];
  return coefficients;
}

json residuals_json(const plate::Tracks& tracks, const plate::CameraSolve& solve) {
  if (tracks.points.size() > kMostResiduals) return nullptr;
  json list = json::array();
  for (std::size_t i = 0; i < tracks.points.size(); ++i) {
    if (!solve.residuals_px[i]) continue;
    const plate::TrackPoint& point = tracks.points[i];
    list.push_back({point.track,
                    number_of(tracks, point.frame),
                    solve.residuals_px[i]->x(),
                    solve.residuals_px[i]->y(),
                    point.p_px.x(),
                    point.p_px.y()});
  }
  return list;
}

json solve_json(const plate::Tracks& tracks,
                const plate::Trial& trial,
                const plate::CameraSolve& solve) {
  json track_list = json::array();
  for (std::size_t t = 0; t < solve.track_rms_px.size(); ++t) {
    track_list.push_back({{"track", tracks.names[t]}, {"rms_px", or_null(solve.track_rms_px[t])}});
  }
  json frame_list = json::array();
  for (std::size_t f = 0; f < solve.frame_rms_px.size(); ++f) {
    frame_list.push_back({{"frame", tracks.frames[f]}, {"rms_px", or_null(solve.frame_rms_px[f])}});
  }
  json rings = json::array();
  for (const plate::RingError& ring : solve.rings) {
    rings.push_back({{"outer_radius_px", ring.outer_radius_px},
                     {"rms_px", ring.rms_px},
                     {"mean_radial_px", ring.mean_radial_px},
                     {"points", ring.num_points}});
  }
  const auto focal_mm = lens::focal_mm(solve.lens);
  return {{"lens", plate::name_of(solve.lens_use)},
          {"focal_px", point_json(solve.lens.focal_px)},
          {"focal_mm", focal_mm ? json(focal_mm->x()) : json()},
          {"focal_solved", solve.focal_solved},
          {"principal_point_px", point_json(solve.lens.principal_point_px)},
          {"model", lens::model_name(solve.lens.model)},
          {"coefficients", coefficients_json(solve.lens.model)},
          {"band", plate::name_of(plate::band_of(solve.used.rms_px, trial.plate_size))},
          {"fitted", figures_json(solve.used)},
          {"all", figures_json(solve.all)},
          {"tracks", std::move(track_list)},
          {"frames", std::move(frame_list)},
          {"rings", std::move(rings)},
          {"residuals", residuals_json(tracks, solve)}};
}

json lens_json(const plate::LensEstimate& lens) {
  const auto sigma = [&lens](std::size_t term) {
    const bool known = lens.radial_sigma[term] > 0.0 && std::isfinite(lens.radial_sigma[term]);
    return known ? json(lens.radial_sigma[term]) : json();
  };
  return {{"determined", lens.determined},
          {"radial_terms", lens.num_radial},
          {"focal_px", lens.focal_px},
          {"focal_sigma_px", or_null(lens.focal_sigma_px)},
          {"k1", lens.radial[0]},
          {"k2", lens.radial[1]},
          {"k1_sigma", sigma(0)},
          {"k2_sigma", sigma(1)},
          {"scatter", lens.scatter},
          {"edge_radius_px", lens.edge_radius_px},
          {"edge_shift_px", lens.edge_shift_px},
          {"edge_sigma_px", std::isfinite(lens.edge_sigma_px) ? json(lens.edge_sigma_px) : json()},
          {"edge_by_focal_px", lens.edge_by_focal_px},
          {"p_value", lens.p_value},
          {"words", lens.words}};
}

std::string solve_line(const plate::Trial& trial, const plate::CameraSolve& solve) {
  std::string line =
      fmt::format("  {:<10} {:8.3f} px  {:<8} focal {:.1f} px{}",
                  plate::name_of(solve.lens_use),
                  solve.used.rms_px,
                  plate::name_of(plate::band_of(solve.used.rms_px, trial.plate_size)),
                  solve.lens.focal_px.x(),
                  solve.focal_solved ? " (solved)" : "");
  if (solve.lens_use == plate::LensUse::kFree || solve.lens_use == plate::LensUse::kAllFree) {
    const auto radial = lens::parameters(solve.lens.model);
    line += fmt::format(", k1 {:.4f}", radial[0]);
    if (radial[1] != 0.0) line += fmt::format(", k2 {:.4f}", radial[1]);
  }
  if (solve.all.num_points > solve.used.num_points) {
    line += fmt::format(
        "; {:.3f} px counting the {} left out",
        solve.all.rms_px,
        counted(static_cast<std::size_t>(solve.all.num_points - solve.used.num_points), "point"));
  }
  return line + "\n";
}

double percentile_95(const plate::CameraSolve& solve) {
  std::vector<double> errors;
  for (const auto& residual : solve.residuals_px) {
    if (residual) errors.push_back(residual->norm());
  }
  if (errors.empty()) return 0.0;
  const auto place = errors.begin() + static_cast<std::ptrdiff_t>(0.95 * (errors.size() - 1.0));
  std::nth_element(errors.begin(), place, errors.end());
  return *place;
}

profile::Uncertainty uncertainty_of(const plate::LensEstimate& estimate, const lens::Lens& lens) {
  profile::Uncertainty uncertainty{.parameters = profile::station_parameter_names(lens),
                                   .covariance = {}};
  const auto n = static_cast<Eigen::Index>(uncertainty.parameters.size());
  // Focal x and y are one number; the principal point was held.
  Eigen::MatrixXd spread = Eigen::MatrixXd::Zero(n, 3);
  spread(0, 0) = 1.0;
  spread(1, 0) = lens.focal_px.y() / lens.focal_px.x();
  for (Eigen::Index i = 0; i < n; ++i) {
    if (uncertainty.parameters[static_cast<std::size_t>(i)] == "k1") spread(i, 1) = 1.0;
    if (uncertainty.parameters[static_cast<std::size_t>(i)] == "k2") spread(i, 2) = 1.0;
  }
  const Eigen::MatrixXd covariance = spread * estimate.covariance * spread.transpose();
  uncertainty.covariance = 0.5 * (covariance + covariance.transpose());
  return uncertainty;
}

}  // namespace

std::string trial_text(const plate::Tracks& tracks, const plate::Trial& trial) {
  const double scale = trial.plate_size.width / plate::kBandWidthPx;
  std::string text = fmt::format("{}, {}, {} on a {}x{} plate",
                                 counted(tracks.names.size(), "track"),
                                 counted(tracks.frames.size(), "frame"),
                                 counted(tracks.points.size(), "point"),
                                 trial.plate_size.width,
                                 trial.plate_size.height);
  if (trial.keyframes[0] >= 0) {
    text += fmt::format("; keyframes {} and {} with {} common tracks",
                        number_of(tracks, trial.keyframes[0]),
                        number_of(tracks, trial.keyframes[1]),
                        trial.num_common);
  }
  text += "\n";
  if (!trial.solves.empty()) {
    text += fmt::format(
        "average error (root mean square over the points fitted); on this plate up "
        "to {:.2f} px is the aim, above {:.2f} px bad:\n",
        plate::kAimPx * scale,
        plate::kBadPx * scale);
  }
  for (const plate::CameraSolve& solve : trial.solves) text += solve_line(trial, solve);
  for (const plate::Finding& finding : trial.findings) {
    text += fmt::format(
        "{}: {}{}. {}\n",
        &finding == &trial.findings.front() ? "verdict" : "also",
        plate::name_of(finding.cause),
        finding.or_cause ? fmt::format(" or {}", plate::name_of(*finding.or_cause)) : std::string(),
        finding.words);
  }
  if (!trial.lens.words.empty()) text += trial.lens.words + "\n";
  return text;
}

json trial_json(const plate::Tracks& tracks, const plate::Trial& trial) {
  const double scale = trial.plate_size.width / plate::kBandWidthPx;
  json solves = json::array();
  for (const plate::CameraSolve& solve : trial.solves) {
    solves.push_back(solve_json(tracks, trial, solve));
  }
  json findings = json::array();
  for (const plate::Finding& finding : trial.findings) {
    findings.push_back(
        {{"cause", plate::name_of(finding.cause)},
         {"or_cause", finding.or_cause ? json(plate::name_of(*finding.or_cause)) : json()},
         {"share_px", finding.share_px},
         {"words", finding.words}});
  }
  json faults = json::array();
  for (const plate::TrackFault& fault : trial.faults) {
    faults.push_back({{"track", track_name(tracks, fault.track)},
                      {"kind", plate::name_of(fault.kind)},
                      {"swapped_with",
                       fault.swapped_with ? json(track_name(tracks, *fault.swapped_with)) : json()},
                      {"frame", number_of(tracks, fault.frame)},
                      {"size_px", fault.size_px},
                      {"drift_px_per_frame", fault.drift_px_per_frame},
                      {"rms_px", fault.rms_px},
                      {"frames", numbers_of(tracks, fault.frames)}});
  }
  const bool paired = trial.keyframes[0] >= 0;
  return {
      {"verdict", plate::name_of(trial.findings.front().cause)},
      {"findings", std::move(findings)},
      {"plate_size_px", {{"width", trial.plate_size.width}, {"height", trial.plate_size.height}}},
      {"tracks", tracks.names},
      {"points", tracks.points.size()},
      {"keyframes",
       paired ? json{number_of(tracks, trial.keyframes[0]), number_of(tracks, trial.keyframes[1])}
              : json()},
      {"common_tracks", trial.num_common},
      {"parallax_px", trial.parallax_px},
      {"noise_px", trial.noise_px},
      {"average", "root mean square of distances"},
      {"aim_px", plate::kAimPx * scale},
      {"bad_px", plate::kBadPx * scale},
      {"solves", std::move(solves)},
      {"faults", std::move(faults)},
      {"left_out", trial.num_left_out},
      {"lens", trial.solves.empty() ? json() : lens_json(trial.lens)},
      {"unsolved_frames", numbers_of(tracks, trial.unsolved_frames)},
      {"unsolved_tracks", names_of(tracks, trial.unsolved_tracks)}};
}

json camera_json(const plate::Tracks& tracks,
                 const plate::CameraSolve& solve,
                 const plate::PlacedScene& scene) {
  const plate::CameraApertures apertures = plate::apertures_of(solve.lens);
  json frames = json::array();
  for (std::size_t f = 0; f < scene.poses.size(); ++f) {
    if (!scene.poses[f]) continue;
    const Eigen::Matrix3d& m = scene.poses[f]->world_from_camera;
    const Eigen::Vector3d& p = scene.poses[f]->position;
    frames.push_back(
        {{"frame", tracks.frames[f]},
         {"position", {p.x(), p.y(), p.z()}},
         {"world_from_camera",
          {{m(0, 0), m(0, 1), m(0, 2)}, {m(1, 0), m(1, 1), m(1, 2)}, {m(2, 0), m(2, 1), m(2, 2)}}},
         {"rms_px", or_null(solve.frame_rms_px[f])}});
  }
  json points = json::array();
  for (std::size_t t = 0; t < scene.points.size(); ++t) {
    if (!scene.points[t]) continue;
    const Eigen::Vector3d& p = *scene.points[t];
    points.push_back({{"track", tracks.names[t]},
                      {"position", {p.x(), p.y(), p.z()}},
                      {"rms_px", or_null(solve.track_rms_px[t])}});
  }
  return {{"unit", scene.metres ? json("m") : json()},
          {"up_axis", "Y"},
          {"camera_axes", "x right, y up, looks along -z"},
          {"lens",
           {{"use", plate::name_of(solve.lens_use)},
            {"plate_size_px",
             {{"width", solve.lens.plate_size.width}, {"height", solve.lens.plate_size.height}}},
            {"focal_px", point_json(solve.lens.focal_px)},
            {"principal_point_px", point_json(solve.lens.principal_point_px)},
            {"model", lens::model_name(solve.lens.model)},
            {"coefficients", coefficients_json(solve.lens.model)},
            {"focal_mm", apertures.focal_mm},
            {"film_back_mm", {{"width", apertures.width_mm}, {"height", apertures.height_mm}}},
            {"film_back_assumed", !solve.lens.film_back.has_value()}}},
          {"frames", std::move(frames)},
          {"points", std::move(points)}};
}

Result<profile::Profile> profile_of(const plate::Tracks& tracks,
                                    const plate::Trial& trial,
                                    const std::string& tracks_file) {
  const plate::CameraSolve* solve = trial.find(plate::LensUse::kFree);
  if (solve == nullptr) {
    return fail(ErrorCode::kUndetermined,
                fmt::format("no lens from the tracks: {}", trial.findings.front().words));
  }
  if (!trial.lens.determined) return fail(ErrorCode::kUndetermined, trial.lens.words);
  profile::Station station;
  station.lens = solve->lens;
  station.uncertainty = uncertainty_of(trial.lens, solve->lens);
  const auto num_used = std::count_if(
      solve->poses.begin(), solve->poses.end(), [](const auto& pose) { return pose.has_value(); });
  station.quality = profile::Quality{.rms_px = solve->used.rms_px,
                                     .held_out_rms_px = {},
                                     .max_px = solve->used.max_px,
                                     .p95_px = std::min(percentile_95(*solve), solve->used.max_px),
                                     .num_frames = static_cast<int>(tracks.frames.size()),
                                     .num_frames_used = static_cast<int>(num_used),
                                     .num_points = solve->used.num_points,
                                     .noise_sigma_px = trial.noise_px,
                                     .map_sigma_rms_px = {},
                                     .map_sigma_max_px = {}};
  station.warnings.push_back(
      {"lens-from-tracks",
       fmt::format(
           "made from 2D tracks, not from a chart: radial terms only, the principal point was held "
           "; known to {:.2f} px at {:.0f} px from it{}",
           trial.lens.edge_sigma_px,
           trial.lens.edge_radius_px,
           trial.lens.focal_sigma_px
               ? fmt::format(", focal length to {:.1f} px", *trial.lens.focal_sigma_px)
               : std::string(", focal length as given")),
       trial.lens.edge_sigma_px});
  profile::Profile result;
  result.stations.push_back(std::move(station));
  result.provenance = {
      .created = utc_timestamp(std::chrono::system_clock::now()),
      .program = "trueplate",
      .program_version = std::string(kVersion),
      .method = "Camera solve of 2D tracks with the lens free (bundle adjustment).",
      .footage = {{.name = tracks_file,
                   .sha256 = {},
                   .points = solve->used.num_points,
                   .rms_px = solve->used.rms_px,
                   .used = true,
                   .reason = {}}}};
  return result;
}

}  // namespace trueplate::cli
