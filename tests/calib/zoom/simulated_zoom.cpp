#include "tests/calib/zoom/simulated_zoom.h"

#include <Eigen/Dense>
#include <cmath>
#include <limits>
#include <optional>

#include "calib/base/decompositions.h"
#include "calib/fit/fit.h"
#include "tests/calib/fit/synthetic.h"

namespace trueplate::tests {
namespace {

constexpr ImageSize kPlate{2048, 1152};
constexpr double kWidthMm = 24.92;

/// Plate pixels of a ray under a small rotation about x, y, z and a change of the focal length.
std::optional<Point2d> moved_px(const lens::Lens& lens,
                                const Point2d& ray,
                                const Eigen::Vector4d& motion) {
  const Eigen::Vector3d p(ray.x(), ray.y(), 1.0);
  const Eigen::Vector3d turned = p + motion.head<3>().cross(p);
  lens::Lens zoomed = lens;
  zoomed.focal_px *= 1.0 + motion[3];
  const std::optional<Point2d> image = lens::distort(lens.model, turned.hnormalized());
  if (!image) return std::nullopt;
  return lens::px_from_ideal(zoomed, *image);
}

}  // namespace

lens::Lens true_zoom(double focal_mm, double focus_m) {
  const double share = std::log(focal_mm / 24.0) / std::log(70.0 / 24.0);
  const double near = std::isinf(focus_m) ? 0.0 : focal_mm / (1000.0 * focus_m - focal_mm);
  const double half_diagonal = 0.5 * std::hypot(kPlate.width, kPlate.height);
  const double breath = 1.0 - 0.55 * near + 0.9 * near * near;
  const double focal = focal_mm * kPlate.width / kWidthMm * breath;
  const double scale2 = std::pow(focal / half_diagonal, 2);
  const double focus = 1.0 + 2.6 * near + 4.0 * near * near;
  const double third = (-0.060 * std::exp(-2.4 * share) + 0.016 * share) * focus;
  const double fifth = (0.015 * std::exp(-3.0 * share) - 0.003 * share) * focus;
  lens::Lens lens;
  lens.plate_size = kPlate;
  lens.film_back = lens::FilmBack{kWidthMm, kWidthMm * kPlate.height / kPlate.width};
  lens.focal_px = {focal, 1.0004 * focal};
  lens.principal_point_px = {1024.0 + 4.0 * std::sin(2.0 * share) + 8.0 * near,
                             576.0 - 3.0 * share * share};
  lens.model = lens::RadialTangential({third * scale2,
                                       fifth * scale2 * scale2,
                                       0.0,
                                       0.0002 * focal / half_diagonal,
                                       -0.0003 * focal / half_diagonal * (1.0 - share)});
  return lens;
}

std::vector<StationAt> five_by_three() {
  std::vector<StationAt> places;
  for (const double focal : {24.0, 32.0, 42.0, 55.0, 70.0}) {
    for (const double focus : {0.6, 1.5, std::numeric_limits<double>::infinity()})
      places.push_back({focal, focus});
  }
  return places;
}

profile::Station calibrated_station(const StationAt& at, double noise_px, unsigned seed) {
  const lens::Lens truth = true_zoom(at.focal_mm, at.focus_m);
  const Synthetic shoot = synthetic_views(truth,
                                          {.num_views = 12,
                                           .columns = 13,
                                           .rows = 9,
                                           .noise_px = noise_px,
                                           .max_tilt_deg = 40.0,
                                           .fill = 0.8,
                                           .whole_chart = false,
                                           .seed = seed});
  fit::FitOptions options;
  options.focal_px = truth.focal_px;
  options.rejection = fit::Rejection::kOff;
  options.chart_shape = fit::ChartShape::kFlat;
  options.held_out_folds = 0;
  options.threads = 1;
  const Result<fit::LensFit> fit = fit::fit_lens(shoot.views, options);
  profile::Station station;
  station.nominal_focal_mm = at.focal_mm;
  station.focus_m = at.focus_m;
  if (!fit) return station;  // its focal length of 0 is refused
  station.lens = fit->lens;
  station.lens.film_back = truth.film_back;
  station.uncertainty = profile::Uncertainty{fit->parameter_names, fit->covariance};
  station.quality = profile::Quality{.rms_px = fit->rms_px,
                                     .held_out_rms_px = std::nullopt,
                                     .max_px = fit->max_residual_px,
                                     .p95_px = fit->p95_residual_px,
                                     .num_frames = fit->num_frames,
                                     .num_frames_used = fit->num_frames,
                                     .num_points = fit->num_points,
                                     .noise_sigma_px = fit->noise_sigma_px,
                                     .map_sigma_rms_px = fit->map_sigma_rms_px,
                                     .map_sigma_max_px = fit->map_sigma_max_px,
                                     .map_sigma_after = profile::MapSigmaAfter::kRotationAndFocal};
  return station;
}

std::vector<profile::Station> calibrated_stations(const std::vector<StationAt>& places,
                                                  double noise_px,
                                                  unsigned seed) {
  std::vector<profile::Station> stations;
  for (const StationAt& at : places) {
    stations.push_back(
        calibrated_station(at, noise_px, seed + 1000U * static_cast<unsigned>(stations.size())));
  }
  return stations;
}

FieldError solved_plate_error(const lens::Lens& found, const lens::Lens& truth) {
  constexpr int kColumns = 33;
  constexpr int kRows = 19;
  constexpr double kStep = 1e-5;
  constexpr FieldError kInfinitely{std::numeric_limits<double>::infinity(),
                                   std::numeric_limits<double>::infinity()};
  Eigen::MatrixX4d motions(2 * kColumns * kRows, 4);
  Eigen::VectorXd misses(motions.rows());
  Eigen::Index row = 0;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i, row += 2) {
      const Point2d place(truth.plate_size.width * i / (kColumns - 1.0),
                          truth.plate_size.height * j / (kRows - 1.0));
      const std::optional<Point2d> straight = lens::undistort_px(truth, place);
      if (!straight) return kInfinitely;
      const Point2d ray = lens::ideal_from_px(truth, *straight);
      const auto there = moved_px(found, ray, Eigen::Vector4d::Zero());
      if (!there) return kInfinitely;
      misses.segment<2>(row) = *there - place;
      for (Eigen::Index k = 0; k < 4; ++k) {
        const auto moved = moved_px(found, ray, kStep * Eigen::Vector4d::Unit(k));
        if (!moved) return kInfinitely;
        motions.block<2, 1>(row, k) = (*moved - *there) / kStep;
      }
    }
  }
  misses -= motions * least_squares(motions, misses);
  const Eigen::VectorXd squares = misses.reshaped(2, kColumns * kRows).colwise().squaredNorm();
  return {std::sqrt(squares.mean()), std::sqrt(squares.maxCoeff())};
}

}  // namespace trueplate::tests
