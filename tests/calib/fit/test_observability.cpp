// What the views do not determine has to be said, with numbers, and must not spoil what they do.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

#include "calib/fit/detail/map_uncertainty.h"
#include "calib/fit/fit.h"
#include "tests/calib/fit/field_error.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/support/warnings.h"

using namespace trueplate;
using fit::LensFit;

namespace {

/// Square-on views of a grid that fills the frame: the camera on a tripod before a wall, moved a
/// little between frames, level to within `wobble_deg`.
std::vector<target::View> square_on(int count, double noise_px, double wobble_deg, unsigned seed) {
  const lens::Lens lens = tests::synthetic_lens();
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0.0, 1.0);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  std::vector<target::View> views;
  for (int v = 0; v < count; ++v) {
    fit::Pose pose;
    const double wobble = wobble_deg * EIGEN_PI / 180.0;
    pose.rotation = (Eigen::AngleAxisd(wobble * unit(random), Eigen::Vector3d::UnitX()) *
                     Eigen::AngleAxisd(wobble * unit(random), Eigen::Vector3d::UnitY()) *
                     Eigen::AngleAxisd(0.02 * unit(random), Eigen::Vector3d::UnitZ()))
                        .toRotationMatrix();
    pose.translation_mm = {20.0 * unit(random), 20.0 * unit(random), 1000.0 + 50.0 * unit(random)};
    target::View view;
    view.frame = fmt::format("wall.{}", 1001 + v);
    view.plate_size = lens.plate_size;
    for (int j = -20; j <= 20; ++j) {
      for (int i = -30; i <= 30; ++i) {
        target::Corner corner;
        corner.p_chart_mm = {25.0 * i, 25.0 * j, 0.0};
        const Eigen::Vector3d p = pose.rotation * corner.p_chart_mm + pose.translation_mm;
        const auto q = lens::distort(lens.model, p.hnormalized());
        if (!q) continue;
        corner.p_plate_px =
            lens::px_from_ideal(lens, *q) + noise_px * Point2d(noise(random), noise(random));
        if (corner.p_plate_px.minCoeff() < 0.0 || corner.p_plate_px.x() > 1920.0 ||
            corner.p_plate_px.y() > 1080.0) {
          continue;
        }
        view.corners.push_back(corner);
      }
    }
    views.push_back(std::move(view));
  }
  return views;
}

void check_flagged(const LensFit& fit) {
  const Warning* warning = tests::find_warning(fit.warnings, "focal-assumed");
  REQUIRE(warning);
  CHECK(warning->value == fit.lens.focal_px.x());
  REQUIRE(fit.focal_range_px);
  const double truth = tests::synthetic_lens().focal_px.x();
  CHECK(fit.focal_range_px->first <= truth);
  CHECK(fit.focal_range_px->second >= truth);
  CHECK(std::abs(fit.lens.focal_px.x() - truth) < 2.0 * fit.sigma(0));
}

}  // namespace

TEST_CASE("a grid square-on: straightened all the same, the focal length flagged") {
  const lens::Lens truth = tests::synthetic_lens();
  for (const int count : {1, 5}) {
    for (unsigned seed = 50; seed < 53; ++seed) {
      CAPTURE(count);
      CAPTURE(seed);
      const auto fitted = fit::fit_lens(square_on(count, 0.05, 0.0, seed), {});
      REQUIRE(fitted);
      check_flagged(*fitted);
      const auto error = tests::field_error_px(truth, fitted->lens);
      REQUIRE(error);
      MESSAGE(
          fmt::format("{} frames: straightened to {:.4f} px; focal length {:.0f} +- {:.0f} px, "
                      "truth {:.0f}, {:.0f} "
                      "to {:.0f} fit as well",
                      count,
                      *error,
                      fitted->lens.focal_px.x(),
                      fitted->sigma(0),
                      truth.focal_px.x(),
                      fitted->focal_range_px->first,
                      fitted->focal_range_px->second));
      // One frame has less to average.
      CHECK(*error < (count == 1 ? 0.1 : 0.05));
    }
  }
}

TEST_CASE("a hand-held grid, nearly square-on: determined, or flagged") {
  const lens::Lens truth = tests::synthetic_lens();
  for (const double wobble : {0.3, 1.0, 3.0}) {
    for (unsigned seed = 60; seed < 64; ++seed) {
      CAPTURE(wobble);
      CAPTURE(seed);
      const auto fitted = fit::fit_lens(square_on(5, 0.05, wobble, seed), {});
      if (!fitted) {
        MESSAGE(fmt::format("wobble {} degrees: {}", wobble, fitted.error().message));
        CHECK(fitted.error().code == ErrorCode::kUndetermined);
        continue;
      }
      const auto error = tests::field_error_px(truth, fitted->lens);
      REQUIRE(error);
      MESSAGE(
          fmt::format("wobble {} degrees: straightened to {:.4f} px; focal length {:.0f} +- {:.0f} "
                      "px, {}",
                      wobble,
                      *error,
                      fitted->lens.focal_px.x(),
                      fitted->sigma(0),
                      fitted->focal_range_px ? "assumed" : "fitted"));
      CHECK(*error < 0.1);
      CHECK(std::abs(fitted->lens.focal_px.x() - truth.focal_px.x()) < 4.0 * fitted->sigma(0));
      CHECK(tests::find_warning(fitted->warnings, "little-tilt"));
    }
  }
}

TEST_CASE("square-on with the focal length given: stable, fixed or nominal") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto views = square_on(5, 0.05, 0.0, 70);
  const auto fixed =
      fit::fit_lens(views, {.focal_mode = fit::FocalMode::kFixed, .focal_px = truth.focal_px});
  REQUIRE(fixed);
  CHECK(fixed->lens.focal_px == truth.focal_px);
  CHECK_FALSE(fixed->focal_range_px);
  CHECK_FALSE(tests::find_warning(fixed->warnings, "focal-assumed"));
  CHECK(*tests::field_error_px(truth, fixed->lens) < 0.05);
  // With the true focal length the coefficients are the true ones.
  CHECK(std::abs(fixed->parameters(4) + 0.18) < 5.0 * fixed->sigma(4));

  const Point2d nominal = 1.02 * truth.focal_px;
  const auto given = fit::fit_lens(views, {.focal_px = nominal});
  REQUIRE(given);
  CHECK(given->lens.focal_px.x() == nominal.x());
  check_flagged(*given);
  CHECK(tests::find_warning(given->warnings, "focal-assumed")->message.find("was given") !=
        std::string::npos);
  CHECK(*tests::field_error_px(truth, given->lens) < 0.05);
}

TEST_CASE("a single tilted view is refused: what it straightens depends on the focal length") {
  for (unsigned seed = 80; seed < 84; ++seed) {
    const auto data = tests::synthetic_views(
        tests::synthetic_lens(), {.num_views = 1, .max_tilt_deg = 35.0, .fill = 0.7, .seed = seed});
    const auto fitted = fit::fit_lens(data.views, {});
    if (fitted) {
      check_flagged(*fitted);
    } else {
      CHECK(fitted.error().code == ErrorCode::kUndetermined);
    }
  }
}

TEST_CASE("an uncertain principal point is named, with the roll that was seen") {
  // A long lens: the principal point hides behind the tilt.
  lens::Lens truth = tests::synthetic_lens();
  truth.focal_px *= 4.0;
  truth.model = lens::RadialTangential({-0.05, 0.0, 0.0, 0.0, 0.0});
  const auto data = tests::synthetic_views(
      truth, {.num_views = 12, .noise_px = 0.3, .max_tilt_deg = 25.0, .fill = 0.4, .seed = 90});
  const auto fitted = fit::fit_lens(data.views, {});
  REQUIRE(fitted);
  const Warning* warning = tests::find_warning(fitted->warnings, "uncertain-principal-point");
  REQUIRE(warning);
  CHECK(warning->message.find("rolled over") != std::string::npos);
  CHECK(std::abs(fitted->lens.principal_point_px.x() - truth.principal_point_px.x()) <
        4.0 * fitted->sigma(2));
}

TEST_CASE("square-on with the distance of the chart given: the focal length follows from it") {
  const lens::Lens truth = tests::synthetic_lens();
  // From one place, the distance known to 1 %; and from several, which counts as uncertainty.
  for (const double off : {0.0, 15.0, -15.0}) {
    CAPTURE(off);
    const auto views = square_on(5, 0.05, 0.0, 71);
    const auto fitted =
        fit::fit_lens(views, {.chart_distance_mm = fit::Measured{1000.0 + off, 10.0}});
    REQUIRE_MESSAGE(fitted.has_value(), fitted.error().message);
    const Warning* warning = tests::find_warning(fitted->warnings, "focal-from-distance");
    REQUIRE(warning);
    CHECK(warning->value == fitted->lens.focal_px.x());
    CHECK_FALSE(tests::find_warning(fitted->warnings, "focal-assumed"));
    CHECK_FALSE(fitted->focal_range_px);
    REQUIRE(fitted->focal_from_distance_px);
    MESSAGE(
        fmt::format("distance {} mm off: focal length {:.1f} +- {:.1f} px, truth {:.1f}; "
                    "straightened to {:.4f} px",
                    off,
                    fitted->lens.focal_px.x(),
                    fitted->sigma(0),
                    truth.focal_px.x(),
                    *tests::field_error_px(truth, fitted->lens)));
    CHECK(std::abs(fitted->lens.focal_px.x() - truth.focal_px.x()) < 2.0 * fitted->sigma(0));
    // 1 % of the distance, and up to 5 % by which the frames' distances differ.
    CHECK(fitted->sigma(0) / truth.focal_px.x() > 0.01);
    CHECK(fitted->sigma(0) / truth.focal_px.x() < 0.05);
    CHECK(*tests::field_error_px(truth, fitted->lens) < 0.05);
  }
}

TEST_CASE("a chart distance beyond all reason is refused") {
  for (const double mm : {1e-6, 1e9, 1e300}) {
    CAPTURE(mm);
    const auto fitted = fit::fit_lens(square_on(3, 0.05, 0.0, 72),
                                      {.chart_distance_mm = fit::Measured{mm, 0.01 * mm}});
    REQUIRE_FALSE(fitted.has_value());
    CHECK(fitted.error().code == ErrorCode::kUndetermined);
    CHECK(fitted.error().message.find("check the distance and the chart's pitch") !=
          std::string::npos);
  }
}

TEST_CASE("a chart distance is weighed against what the frames say") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto weak = square_on(5, 0.05, 1.0, 61);
  const auto free = fit::fit_lens(weak, {});
  REQUIRE(free);
  double mean_mm = 0.0;
  for (const fit::FrameFit& frame : free->frames) {
    mean_mm += frame.chart_normal.dot(frame.camera_from_chart.translation_mm) / 5.0;
  }
  const double true_mm = mean_mm * truth.focal_px.x() / free->lens.focal_px.x();
  const auto both = fit::fit_lens(weak, {.chart_distance_mm = fit::Measured{true_mm, 5.0}});
  REQUIRE(both);
  const double alone_sigma = both->focal_from_distance_px->sigma;
  MESSAGE(
      fmt::format("frames {:.1f} +- {:.1f} px, distance {:.1f} +- {:.1f} px, both {:.1f} +- "
                  "{:.1f} px, truth {:.1f}",
                  free->parameters(0),
                  free->sigma(0),
                  both->focal_from_distance_px->value,
                  alone_sigma,
                  both->parameters(0),
                  both->sigma(0),
                  truth.focal_px.x()));
  // Two independent measurements of one number.
  CHECK(both->sigma(0) ==
        doctest::Approx(1.0 / std::hypot(1.0 / free->sigma(0), 1.0 / alone_sigma)).epsilon(1e-3));
  CHECK(std::abs(both->parameters(0) - truth.focal_px.x()) < 3.0 * both->sigma(0));
  CHECK_FALSE(tests::find_warning(both->warnings, "focal-from-distance"));
  CHECK_FALSE(tests::find_warning(both->warnings, "chart-distance-disagrees"));
  CHECK(*tests::field_error_px(truth, both->lens) < 0.1);

  // A wrong one is contradicted, and hardly moves what strong frames say.
  const auto strong = tests::synthetic_views(truth, {.num_views = 12, .seed = 95});
  double distance = 0.0;
  for (const fit::Pose& pose : strong.poses) {
    distance += std::abs(pose.rotation.col(2).dot(pose.translation_mm)) / 12.0;
  }
  const auto by_frames = fit::fit_lens(strong.views, {});
  REQUIRE(by_frames);
  const auto agreeing =
      fit::fit_lens(strong.views, {.chart_distance_mm = fit::Measured{distance, 0.02 * distance}});
  REQUIRE(agreeing);
  CHECK_FALSE(tests::find_warning(agreeing->warnings, "chart-distance-disagrees"));
  // The chart was carried about.
  CHECK(tests::find_warning(agreeing->warnings, "chart-distance-varies"));
  CHECK(std::abs(agreeing->parameters(0) - by_frames->parameters(0)) < 0.1 * by_frames->sigma(0));
  const auto doubled =
      fit::fit_lens(strong.views, {.chart_distance_mm = fit::Measured{2.0 * distance, 1.0}});
  REQUIRE(doubled);
  CHECK(tests::find_warning(doubled->warnings, "chart-distance-disagrees"));
  CHECK(std::abs(doubled->parameters(0) - by_frames->parameters(0)) < 0.1 * by_frames->sigma(0));
}

// Where nothing was seen the map is extrapolated: what is forecast for the corners of the plate has
// to be what the errors there are, and a warning has to name it.
TEST_CASE("points that stop short of the edges: the error in the corners is forecast") {
  const lens::Lens truth = tests::synthetic_lens();
  constexpr int kShoots = 100;
  constexpr double kReachPx = 650.0;  // of 1101 to the corner
  double error = 0.0;
  double forecast = 0.0;
  double middle_error = 0.0;
  double middle_forecast = 0.0;
  for (unsigned seed = 2000; seed < 2000 + kShoots; ++seed) {
    auto views = tests::synthetic_views(truth, {.num_views = 12, .fill = 0.4, .seed = seed}).views;
    for (target::View& view : views) {
      std::erase_if(view.corners, [](const target::Corner& corner) {
        return (corner.p_plate_px - Point2d(960.0, 540.0)).norm() > kReachPx;
      });
    }
    std::erase_if(views, [](const target::View& view) { return view.corners.size() < 20; });
    const auto fitted = fit::fit_lens(
        views, {.chart_shape = fit::ChartShape::kFlat, .held_out_folds = 0, .threads = 1});
    REQUIRE(fitted);
    const auto errors = tests::field_errors_px(truth, fitted->lens);
    REQUIRE(errors);
    const fit::detail::MapResponse response(fitted->lens, fit::Absorbed::kRotationAndFocal);
    const auto variance = [&](const Point2d& p) {
      const auto by_lens = response.at(p);
      REQUIRE(by_lens);
      return (*by_lens * fitted->covariance * by_lens->transpose()).trace();
    };
    error += errors->head<2>().squaredNorm() / kShoots;
    forecast += variance({960.0 / 41.0, 540.0 / 23.0}) / kShoots;
    middle_error += errors->segment<2>(errors->size() / 2 - 1).squaredNorm() / kShoots;
    middle_forecast += variance({960.0, 540.0}) / kShoots;
    const Warning* warning = tests::find_warning(fitted->warnings, "short-reach");
    REQUIRE(warning);
    CHECK(warning->message.find("px") != std::string::npos);
  }
  MESSAGE(
      fmt::format("points within 59 % of the way to the corner, {} shoots: error in the corner "
                  "{:.3f} px, forecast {:.3f} px; in the middle {:.4f} px, forecast {:.4f} px",
                  kShoots,
                  std::sqrt(error),
                  std::sqrt(forecast),
                  std::sqrt(middle_error),
                  std::sqrt(middle_forecast)));
  CHECK(std::sqrt(forecast / error) == doctest::Approx(1.0).epsilon(0.2));
  CHECK(std::sqrt(middle_forecast / middle_error) == doctest::Approx(1.0).epsilon(0.2));
}
