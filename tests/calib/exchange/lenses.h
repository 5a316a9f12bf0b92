#pragma once

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/exchange/conversion.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"

namespace trueplate::tests {

/// An invented lens on an HD plate, principal point off the middle.
inline lens::Lens hd_lens(lens::Model model) {
  lens::Lens lens;
  lens.plate_size = {1920, 1080};
  lens.film_back = lens::FilmBack{.width_mm = 36.0, .height_mm = 20.25};
  lens.focal_px = {1800.0, 1800.0};
  lens.principal_point_px = {966.0, 537.0};
  lens.model = std::move(model);
  return lens;
}

inline profile::Profile profile_of(const lens::Lens& lens) {
  profile::Profile profile;
  profile.labels = {.body = "Body \"A\"",
                    .lens = "Pr\xC3\xAFme <35> & co",
                    .serial = "0042",
                    .owner = "",
                    .notes = ""};
  profile::Station station;
  station.nominal_focal_mm = 35.0;
  station.focus_m = 2.5;
  station.t_stop = 5.6;
  station.entrance_pupil_mm = 118.25;
  station.lens = lens;
  station.quality = profile::Quality{.rms_px = 0.12,
                                     .held_out_rms_px = {},
                                     .max_px = 0.5,
                                     .p95_px = 0.3,
                                     .num_frames = 12,
                                     .num_frames_used = 12,
                                     .num_points = 1000,
                                     .noise_sigma_px = {},
                                     .map_sigma_rms_px = 0.01,
                                     .map_sigma_max_px = 0.02};
  profile.stations.push_back(station);
  profile.provenance.created = "2031-05-04T10:20:30Z";
  profile.provenance.program = "trueplate";
  profile.provenance.program_version = "0.1.0";
  profile.provenance.method = "invented";
  return profile;
}

/// What a writer of files, such as exchange::usd_camera_of, makes of a lens.
template <class Write, class... More>
exchange::Written written_by(const Write& write, const lens::Lens& lens, const More&... more) {
  const profile::Profile profile = profile_of(lens);
  Result<exchange::Written> written = write(profile, profile.stations.front(), more...);
  REQUIRE_MESSAGE(written.has_value(), (written ? "" : written.error().message));
  return *std::move(written);
}

/// The largest distance on the plate of where two lenses image one place of the straight picture.
inline double worst_px(const lens::Lens& a, const lens::Lens& b) {
  double worst = 0.0;
  for (int j = 0; j <= 20; ++j) {
    for (int i = 0; i <= 20; ++i) {
      const Point2d plate(a.plate_size.width * i / 20.0, a.plate_size.height * j / 20.0);
      const std::optional<Point2d> straight = lens::undistort_px(a, plate);
      if (!straight) continue;
      const std::optional<Point2d> found = lens::distort_px(b, *straight);
      worst = std::max(worst,
                       found ? (*found - plate).norm() : std::numeric_limits<double>::infinity());
    }
  }
  return worst;
}

/// One lens of each model, bent about as much as a real one.
inline std::vector<lens::Lens> lens_of_each_model() {
  return {hd_lens(lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005})),
          hd_lens(lens::Rational({0.20, 0.05, 0.002, 0.32, 0.06, 0.004, 0.001, -0.0005})),
          hd_lens(lens::RationalPrism(
              {0.20, 0.05, 0.002, 0.32, 0.06, 0.004, 0.001, -0.0005, 0.001, 0.0, -0.0007, 0.0})),
          hd_lens(lens::RationalPrismTilt({0.20,
                                           0.05,
                                           0.002,
                                           0.32,
                                           0.06,
                                           0.004,
                                           0.001,
                                           -0.0005,
                                           0.001,
                                           0.0,
                                           -0.0007,
                                           0.0,
                                           0.01,
                                           -0.02})),
          hd_lens(lens::RadialFreeCentre({-0.12, 0.03, 0.0, 0.003, -0.002})),
          hd_lens(*lens::make_model("division-1", std::vector<double>{-0.1})),
          hd_lens(*lens::make_model("division-2", std::vector<double>{-0.1, 0.02})),
          hd_lens(lens::Equidistant({0.02, -0.006, 0.001, -0.0002}))};
}

/// A message for people: one line that begins with the file's name.
inline void check_refusal(const Result<exchange::Taken>& taken) {
  REQUIRE_FALSE(taken.has_value());
  CHECK(taken.error().message.find('\n') == std::string::npos);
  CHECK(taken.error().message.size() > 12);
}

}  // namespace trueplate::tests
