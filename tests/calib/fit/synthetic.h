#pragma once

#include <Eigen/Geometry>
#include <cmath>
#include <functional>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "calib/fit/closed_form.h"
#include "calib/lens/lens.h"
#include "calib/target/view.h"

namespace trueplate::tests {

/// Of a view that is partly cut off.
inline constexpr std::size_t kFewestCorners = 20;

struct SyntheticOptions {
  int num_views = 20;
  int columns = 9;
  int rows = 6;
  double pitch_mm = 25.0;
  double noise_px = 0.1;  // standard deviation per coordinate
  double max_tilt_deg = 35.0;
  double fill = 0.5;  // chart width over the plate's width, roughly
  /// Whether views are drawn until one lies wholly on the plate; else what lies beside it is cut
  /// off.
  bool whole_chart = true;
  unsigned seed = 1;
  /// Where the print really has the point that is described at a place, mm; empty: there.
  std::function<Eigen::Vector3d(const Eigen::Vector3d&)> print = {};
};

/// A plausible lens: barrel distortion, a principal point off the centre, slightly unequal focal
/// lengths.
inline lens::Lens synthetic_lens(ImageSize plate = {1920, 1080}) {
  lens::Lens lens;
  lens.plate_size = plate;
  lens.focal_px = {0.95 * plate.width, 0.9505 * plate.width};
  lens.principal_point_px = {0.5 * plate.width + 0.006 * plate.width,
                             0.5 * plate.height - 0.004 * plate.width};
  lens.model = lens::RadialTangential({-0.18, 0.09, -0.02, 0.0006, -0.0004});
  return lens;
}

/// In the order of fit::LensFit::parameters.
inline Eigen::VectorXd parameters_of(const lens::Lens& lens) {
  const auto coefficients = lens::parameters(lens.model);
  Eigen::VectorXd result(4 + static_cast<Eigen::Index>(coefficients.size()));
  result << lens.focal_px, lens.principal_point_px,
      Eigen::Map<const Eigen::VectorXd>(coefficients.data(),
                                        static_cast<Eigen::Index>(coefficients.size()));
  return result;
}

struct Synthetic {
  std::vector<target::View> views;
  std::vector<fit::Pose> poses;
};

/// What synthetic_views() needs to know of a lens.
struct SyntheticCamera {
  ImageSize plate_size;
  Point2d focal_px = {0.0, 0.0};
  /// Plate pixels of a point of z = 1; nullopt where it is not imaged.
  std::function<std::optional<Point2d>(const Point2d&)> plate_px;
};

/// Views of a flat chart through `lens`, every corner inside the plate.
inline Synthetic synthetic_views(const SyntheticCamera& lens, const SyntheticOptions& options) {
  std::mt19937 random(options.seed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  std::normal_distribution<double> noise(0.0, 1.0);
  Synthetic result;
  const double width_mm = (options.columns - 1) * options.pitch_mm;
  const double distance = width_mm * lens.focal_px.x() / (options.fill * lens.plate_size.width);
  while (static_cast<int>(result.views.size()) < options.num_views) {
    const double azimuth = EIGEN_PI * unit(random);
    const double tilt = options.max_tilt_deg * EIGEN_PI / 180.0 * std::abs(unit(random));
    const double roll = 0.3 * unit(random);
    fit::Pose pose;
    pose.rotation =
        (Eigen::AngleAxisd(tilt, Eigen::Vector3d(std::cos(azimuth), std::sin(azimuth), 0.0)) *
         Eigen::AngleAxisd(roll, Eigen::Vector3d::UnitZ()))
            .toRotationMatrix();
    const double z = distance * (1.0 + 0.3 * unit(random));
    const Eigen::Vector3d middle(0.5 * width_mm, 0.5 * (options.rows - 1) * options.pitch_mm, 0.0);
    // Drawn in statements of their own, so that all compilers draw alike.
    const double down = 0.5 * unit(random) * z * lens.plate_size.height / lens.focal_px.y();
    const double right = 0.5 * unit(random) * z * lens.plate_size.width / lens.focal_px.x();
    const Eigen::Vector3d where(right, down, z);
    pose.translation_mm = where - pose.rotation * middle;
    target::View view;
    view.frame = "frame." + std::to_string(1001 + result.views.size());
    view.plate_size = lens.plate_size;
    int num_outside = 0;
    for (int j = 0; j < options.rows; ++j) {
      for (int i = 0; i < options.columns; ++i) {
        target::Corner corner;
        corner.p_chart_mm = {i * options.pitch_mm, j * options.pitch_mm, 0.0};
        const Eigen::Vector3d printed =
            options.print ? options.print(corner.p_chart_mm) : corner.p_chart_mm;
        const Eigen::Vector3d p = pose.rotation * printed + pose.translation_mm;
        const std::optional<Point2d> q =
            p.z() > 0.0 ? lens.plate_px(p.hnormalized()) : std::nullopt;
        if (!q || !(q->x() > 0.0 && q->x() < lens.plate_size.width && q->y() > 0.0 &&
                    q->y() < lens.plate_size.height)) {
          ++num_outside;
          continue;
        }
        corner.p_plate_px = *q;
        view.corners.push_back(corner);
      }
    }
    if (num_outside > 0 && (options.whole_chart || view.corners.size() < kFewestCorners)) continue;
    for (target::Corner& corner : view.corners) {
      const double y = noise(random);
      const double x = noise(random);
      corner.p_plate_px += options.noise_px * Point2d(x, y);
    }
    result.views.push_back(std::move(view));
    result.poses.push_back(pose);
  }
  return result;
}

inline Synthetic synthetic_views(const lens::Lens& lens, const SyntheticOptions& options) {
  return synthetic_views({.plate_size = lens.plate_size,
                          .focal_px = lens.focal_px,
                          .plate_px = [&lens](const Point2d& p) -> std::optional<Point2d> {
                            const std::optional<Point2d> q = lens::distort(lens.model, p);
                            if (!q) return std::nullopt;
                            return lens::px_from_ideal(lens, *q);
                          }},
                         options);
}

}  // namespace trueplate::tests
