#pragma once

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <numbers>
#include <optional>
#include <utility>

#include "calib/lens/lens.h"
#include "calib/target/chart.h"
#include "charts/synth/chart_footage.h"

// Lenses, a chart and its picture, for the tests of the renderer.
namespace trueplate::tests {

inline lens::Lens pinhole(ImageSize size, double focal_px) {
  return {.plate_size = size,
          .film_back = std::nullopt,
          .focal_px = {focal_px, focal_px},
          .principal_point_px = {0.5 * size.width, 0.5 * size.height},
          .model = lens::RadialTangential()};
}

inline lens::Lens spherical(ImageSize size) {
  lens::Lens lens = pinhole({1920, 1080}, 1939.0);
  lens.principal_point_px += Point2d(8.3, -5.1);
  lens.model = lens::RadialTangential({-0.15, 0.045, -0.008, 0.0005, -0.0004});
  return lens::scaled_to(lens, size);
}

inline Eigen::Isometry3d pose(double x_deg,
                              double y_deg,
                              double z_deg,
                              const Eigen::Vector3d& shift_mm) {
  const double rad = std::numbers::pi / 180.0;
  Eigen::Isometry3d result = Eigen::Isometry3d::Identity();
  result.linear() = (Eigen::AngleAxisd(x_deg * rad, Eigen::Vector3d::UnitX()) *
                     Eigen::AngleAxisd(y_deg * rad, Eigen::Vector3d::UnitY()) *
                     Eigen::AngleAxisd(z_deg * rad, Eigen::Vector3d::UnitZ()))
                        .toRotationMatrix();
  result.translation() = shift_mm;
  return result;
}

inline synth::ChartFootage rendered(const lens::Lens& lens,
                                    const target::Chart& chart,
                                    const Eigen::Isometry3d& camera_from_chart,
                                    const synth::ChartFootageOptions& options) {
  Result<synth::ChartFootage> result = synth::render_chart(lens, chart, camera_from_chart, options);
  REQUIRE_MESSAGE(result.has_value(), (result ? "" : result.error().message));
  return std::move(result).value();
}

inline const target::Chart kChart{.pitch_mm = 40.0, .columns = 9, .rows = 6};
inline const synth::ChartFootageOptions kPlain{
    .look = {.white = 1.0, .black = 0.0, .surroundings = 0.0}, .blur_sigma_px = 0.0};

}  // namespace trueplate::tests
