#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "calib/profile/profile.h"

namespace trueplate::tests {

/// A covariance for the parameters of `lens` with correlations; invented.
inline profile::Uncertainty example_uncertainty(const lens::Lens& lens) {
  profile::Uncertainty uncertainty{.parameters = profile::station_parameter_names(lens),
                                   .covariance = {}};
  const auto size = static_cast<Eigen::Index>(uncertainty.parameters.size());
  uncertainty.covariance.resize(size, size);
  const auto sigma = [](Eigen::Index i) { return i < 4 ? 0.8 / (1.0 + i) : 1e-3 / (i * i); };
  for (Eigen::Index i = 0; i < size; ++i) {
    for (Eigen::Index j = 0; j < size; ++j) {
      const double correlation = i == j ? 1.0 : ((i + j) % 2 == 0 ? 0.3 : -0.1);
      uncertainty.covariance(i, j) = correlation * (sigma(i) * sigma(j));
    }
  }
  return uncertainty;
}

/// Red and blue beside the lens of a station; invented.
inline profile::Channels example_channels(const lens::Lens& green) {
  profile::ColourLens red{.lens = green,
                          .uncertainty = example_uncertainty(green),
                          .num_points = 540,
                          .rms_px = 0.0625,
                          .shift = {.rms_px = 0.41,
                                    .rms_sigma_px = 0.0031,
                                    .max_px = 1.1 / 3.0,
                                    .max_sigma_px = 0.0122,
                                    .max_at_px = {1920.0, 0.0},
                                    .p_value = 1e-200,
                                    .significant = true}};
  red.lens.focal_px *= 1.0005;
  profile::ColourLens blue = red;
  blue.lens.principal_point_px += Point2d(0.01, -0.02);
  blue.num_points = 537;
  blue.shift.p_value = 0.25;
  blue.shift.significant = false;
  return {red, blue};
}

/// A profile with every field of the format filled in; invented data. Its lens is nearly the barrel
/// lens of tests/calib/lens/test_distortion_measures.cpp.
inline profile::Profile example_profile() {
  profile::Station station;
  station.nominal_focal_mm = 35.0;
  station.focus_m = 2.5;
  station.t_stop = 5.6;
  station.entrance_pupil_mm = 87.5;
  station.without_station = profile::LeftOut{.rms_px = 0.021, .max_px = 0.11};
  station.without_focal_length = profile::LeftOut{.rms_px = 0.16, .max_px = 0.55};
  station.lens.plate_size = {1920, 1080};
  station.lens.film_back = lens::FilmBack{.width_mm = 24.89, .height_mm = 14.000625};
  station.lens.focal_px = {1800.0 + 1.0 / 3.0, 1800.0 - 1e-9};
  station.lens.principal_point_px = {962.1, 538.7};
  station.lens.model = lens::RadialTangential({-0.05, 0.1 / 3.0 * 1e-9, -0.0, 5e-324, -1e-7});
  station.uncertainty = example_uncertainty(station.lens);
  station.chart_as_found = profile::ChartAsFound{.pitch_ratio = profile::Measured{1.00025, 7e-5},
                                                 .bend_degree = 2,
                                                 .bend_mm = profile::Measured{0.15, 0.0125},
                                                 .print_error_mm = profile::Measured{0.1, 0.02}};
  station.channels = example_channels(station.lens);
  station.quality = profile::Quality{.rms_px = 0.1234,
                                     .held_out_rms_px = 0.131,
                                     .max_px = 0.61,
                                     .p95_px = 0.244,
                                     .num_frames = 3,
                                     .num_frames_used = 2,
                                     .num_points = 108,
                                     .noise_sigma_px = 0.088,
                                     .map_sigma_rms_px = 0.021,
                                     .map_sigma_max_px = 0.094,
                                     .map_sigma_after = profile::MapSigmaAfter::kRotationAndFocal,
                                     .map_sigma_share = 0.97,
                                     .map_misfit_rms_px = 0.013};
  station.warnings = {{.code = "little-tilt",
                       .message = "the chart is tilted by at most 12 degrees; tilt it by 30",
                       .value = 12.0}};

  profile::Profile profile;
  profile.labels = {.body = "Example body A",
                    .lens = "Example prime 35 mm",
                    .serial = "0042",
                    .owner = "Camera department",
                    .notes = "Second set; \"far\" end.\nTested on a cold day."};
  profile.chart =
      profile::ChartUsed{.kind = "checkerboard", .pitch_mm = 25.0, .columns = 9, .rows = 6};
  profile.stations = {station};
  profile.provenance = {
      .created = "2031-05-04T10:20:30Z",
      .program = "trueplate",
      .program_version = "0.1.0",
      .method =
          "Least squares over focal length, principal point, coefficients and one pose per "
          "frame; wrong corners left out first.",
      .footage = {{.name = "grid.1001.exr",
                   .sha256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
                   .points = 54,
                   .rms_px = 0.12,
                   .used = true,
                   .reason = ""},
                  {.name = "grid.1002.exr",
                   .sha256 = "",
                   .points = 54,
                   .rms_px = 0.127,
                   .used = true,
                   .reason = ""},
                  {.name = "grid.1003.exr",
                   .sha256 = "",
                   .points = 6,
                   .rms_px = std::nullopt,
                   .used = false,
                   .reason = "found 6 of 54 corners, need 24"}}};
  return profile;
}

}  // namespace trueplate::tests
