// The spline field on lenses that are in no family: the truth is a formula of the test's own.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Geometry>
#include <cmath>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "calib/fit/model_choice.h"
#include "calib/lens/distortion_measures.h"
#include "calib/lens/spline_field.h"
#include "tests/calib/fit/field_error.h"

using namespace trueplate;

namespace {

using Distort = std::function<Point2d(const Point2d&)>;

constexpr ImageSize kPlate{1920, 1080};
constexpr double kFocalPx = 1824.0;
const Point2d kPrincipalPx(972.0, 532.0);

/// Barrel, with a ripple of 6 px on the way to the corner.
Point2d moustache(const Point2d& p) {
  const double r = p.norm();
  return p * (1.0 - 0.06 * r * r + 0.004 * (1.0 - std::cos(8.0 * r)));
}

/// The same with a ripple of only 3.5 cells of the spline's grid.
Point2d short_ripple(const Point2d& p) {
  const double r = p.norm();
  return p * (1.0 - 0.06 * r * r + 0.002 * (1.0 - std::cos(12.0 * r)));
}

/// High powers, and a dent of 2 px beside the centre.
Point2d dented(const Point2d& p) {
  const double r2 = p.squaredNorm();
  const double dent = 0.0011 * std::exp(-(p - Point2d(0.2, -0.08)).squaredNorm() / (0.3 * 0.3));
  return p * (1.0 - 0.1 * r2 + 0.05 * r2 * r2 + 0.3 * std::pow(r2, 5)) + Point2d(dent, -0.5 * dent);
}

Point2d plate_of(const Distort& distort, const Point2d& p_ideal) {
  return kFocalPx * distort(p_ideal) + kPrincipalPx;
}

bool in(const Point2d& p_px, double left, double right) {
  return p_px.x() > left && p_px.x() < right && p_px.y() > 0.0 && p_px.y() < kPlate.height;
}

struct Shoot {
  int num_views = 20;
  double noise_px = 0.1;
  unsigned seed = 1;
  double right_px = kPlate.width;  // nothing is seen beyond
};

/// Views of a chart of 14 x 9 corners that may run off the plate.
std::vector<target::View> shoot(const Distort& distort, const Shoot& options) {
  constexpr int kColumns = 14;
  constexpr int kRows = 9;
  constexpr double kPitchMm = 25.0;
  constexpr std::size_t kFewest = 50;
  std::mt19937 random(options.seed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  std::normal_distribution<double> noise(0.0, options.noise_px);
  std::vector<target::View> views;
  while (static_cast<int>(views.size()) < options.num_views) {
    const double azimuth = EIGEN_PI * unit(random);
    const double tilt = 0.6 * std::abs(unit(random));
    const Eigen::Matrix3d rotation =
        (Eigen::AngleAxisd(tilt, Eigen::Vector3d(std::cos(azimuth), std::sin(azimuth), 0.0)) *
         Eigen::AngleAxisd(0.3 * unit(random), Eigen::Vector3d::UnitZ()))
            .toRotationMatrix();
    const double z = 450.0 * (1.0 + 0.3 * unit(random));
    const Eigen::Vector3d middle(
        0.5 * (kColumns - 1) * kPitchMm, 0.5 * (kRows - 1) * kPitchMm, 0.0);
    const Eigen::Vector3d where(0.45 * unit(random) * z, 0.25 * unit(random) * z, z);
    target::View view;
    view.frame = fmt::format("frame.{}", 1001 + views.size());
    view.plate_size = kPlate;
    for (int j = 0; j < kRows; ++j) {
      for (int i = 0; i < kColumns; ++i) {
        target::Corner corner;
        corner.p_chart_mm = {i * kPitchMm, j * kPitchMm, 0.0};
        const Eigen::Vector3d p = rotation * (corner.p_chart_mm - middle) + where;
        corner.p_plate_px = plate_of(distort, p.hnormalized());
        if (!in(corner.p_plate_px, 0.0, options.right_px)) continue;
        corner.p_plate_px += Point2d(noise(random), noise(random));
        view.corners.push_back(corner);
      }
    }
    if (view.corners.size() >= kFewest) views.push_back(std::move(view));
  }
  return views;
}

/// Over an even grid of rays, as far as the true lens images them on the plate.
double error_px(const Distort& distort, const lens::Lens& fitted) {
  std::vector<Point2d> places;
  std::vector<Eigen::Vector3d> rays;
  for (int j = -12; j <= 12; ++j) {
    for (int i = -20; i <= 20; ++i) {
      const Point2d ideal(0.03 * i, 0.03 * j);
      const Point2d p = plate_of(distort, ideal);
      if (!in(p, 0.0, kPlate.width)) continue;
      places.push_back(p);
      rays.emplace_back(ideal.x(), ideal.y(), 1.0);
    }
  }
  return tests::field_error_px(places, rays, fitted).value_or(1e9);
}

fit::LensFit fitted(const std::vector<target::View>& views, std::string_view model) {
  auto fit = fit::fit_lens(views, {.model = std::string(model)});
  REQUIRE_MESSAGE(fit.has_value(), (fit ? "" : fit.error().message));
  MESSAGE(fmt::format(
      "{}: rms {:.4f} px, held out {:.4f} px, noise {:.4f} px, {:.1f} intrinsics in effect, "
      "stiffness {} px, map sigma {:.4f} px, {:.2f} s",
      model,
      fit->rms_px,
      fit->held_out_rms_px.value_or(-1.0),
      fit->noise_sigma_px,
      fit->num_effective,
      fit->stiffness_px.value_or(0.0),
      fit->map_sigma_rms_px,
      fit->seconds));
  return *std::move(fit);
}

}  // namespace

TEST_CASE("a moustache lens of no family is met to 0.03 px from 20 noisy views") {
  const auto views = shoot(moustache, {});
  const fit::LensFit spline = fitted(views, "spline-field");
  const double error = error_px(moustache, spline.lens);
  MESSAGE(
      fmt::format("field error: spline field {:.4f} px, radial-tangential {:.4f} px, rational "
                  "{:.4f} px",
                  error,
                  error_px(moustache, fitted(views, "radial-tangential").lens),
                  error_px(moustache, fitted(views, "rational").lens)));
  CHECK(error < 0.03);
  CHECK(spline.noise_sigma_px == doctest::Approx(0.1).epsilon(0.05));
  CHECK(lens::invertible_share_of_border(spline.lens) == 1.0);
  CHECK(error < 2.0 * spline.map_sigma_rms_px);
}

TEST_CASE("a lens with a dent beside its centre, from 20 noisy views") {
  const auto views = shoot(dented, {});
  const double error = error_px(dented, fitted(views, "spline-field").lens);
  const double rational = error_px(dented, fitted(views, "rational").lens);
  MESSAGE(fmt::format(
      "field error: spline field {:.4f} px, radial-tangential {:.4f} px, rational {:.4f} px",
      error,
      error_px(dented, fitted(views, "radial-tangential").lens),
      rational));
  CHECK(error < 0.03);
  CHECK(error < 0.2 * rational);
}

TEST_CASE("a ripple as short as the grid resolves is met better than by formulas") {
  const auto views = shoot(short_ripple, {});
  const double error = error_px(short_ripple, fitted(views, "spline-field").lens);
  const double rational = error_px(short_ripple, fitted(views, "rational").lens);
  MESSAGE(fmt::format("field error: spline field {:.4f} px, rational {:.4f} px", error, rational));
  CHECK(error < 0.05);
  CHECK(error < rational);
}

TEST_CASE("good points give the lens to 0.02 px") {
  const auto views = shoot(dented, {.noise_px = 0.02, .seed = 2});
  const double error = error_px(dented, fitted(views, "spline-field").lens);
  MESSAGE(fmt::format("field error {:.4f} px", error));
  CHECK(error < 0.02);
}

TEST_CASE("where no corner was the field fades, stays one-to-one, and is doubted") {
  const double seen_px = 0.6 * kPlate.width;
  const auto views = shoot(moustache, {.right_px = seen_px});
  const fit::LensFit fit = fitted(views, "spline-field");
  CHECK(lens::invertible_share_of_border(fit.lens) == 1.0);
  const auto sigma = [&](double x, double y) {
    return fit::map_sigma_px(fit, Point2d(x, y)).value_or(-1.0);
  };
  MESSAGE(fmt::format("map sigma {:.3f} px where corners are, {:.3f} px at the far edge",
                      sigma(500.0, 540.0),
                      sigma(1900.0, 540.0)));
  CHECK(sigma(1900.0, 540.0) > 2.0 * sigma(500.0, 540.0));
  // The displacement itself, at the far end of the rectangle and outside it.
  const auto& model = std::get<lens::SplineField>(fit.lens.model);
  const double* k = model.parameters().data();
  lens::SplineField::Parameters round = model.parameters();
  std::fill(round.begin() + lens::SplineField::kFirstX, round.end(), 0.0);
  const auto displacement_px = [&](const Point2d& p) {
    return kFocalPx *
           (lens::SplineField::distort(p, k) - lens::SplineField::distort(p, round.data())).norm();
  };
  MESSAGE(fmt::format("displacement {:.2f} px where corners are, {:.2f} px at the far edge",
                      displacement_px({-0.25, 0.0}),
                      displacement_px({0.5, 0.0})));
  CHECK(displacement_px({1.2, 0.0}) == 0.0);
}

TEST_CASE("the choice of the model comes to the spline field where formulas leave a pattern") {
  const auto choice = fit::fit_best_model(shoot(dented, {.num_views = 12}), {});
  REQUIRE_MESSAGE(choice.has_value(), (choice ? "" : choice.error().message));
  for (const fit::ModelTrial& trial : choice->trials) {
    MESSAGE(fmt::format("{}: held out {:.4f} px, BIC over {:.0f}, {}",
                        trial.model,
                        trial.held_out_rms_px.value_or(-1.0),
                        trial.bic_excess.value_or(-1.0),
                        trial.chosen ? "chosen" : trial.reason));
  }
  CHECK(choice->trials.back().chosen);
  CHECK(choice->trials.back().model == "spline-field");
  // From 12 views instead of 20, whose corners do not reach everywhere.
  CHECK(error_px(dented, choice->fit.lens) < 0.07);
}

TEST_CASE("too few corners for the field are refused, not guessed at") {
  auto views = shoot(moustache, {.num_views = 3});
  for (target::View& view : views) view.corners.resize(20);
  const auto fit = fit::fit_lens(views, {.model = "spline-field"});
  CHECK_FALSE(fit.has_value());
}
