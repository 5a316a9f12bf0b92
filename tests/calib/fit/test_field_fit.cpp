// A lens from a field that is known: each model comes back from its own field. The truth is
// calib/lens, which has its own tests against published values.

#include "calib/fit/field_fit.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>
#include <string>
#include <vector>

#include "calib/lens/model.h"

using namespace trueplate;
using namespace trueplate::fit;

namespace {

lens::Lens plate_lens(lens::Model model, Point2d focal_px = {1800.0, 1800.0}) {
  lens::Lens lens;
  lens.plate_size = {1920, 1080};
  lens.focal_px = focal_px;
  lens.principal_point_px = {968.0, 531.0};
  lens.model = std::move(model);
  return lens;
}

/// Places over the plate, its corners among them.
std::vector<FieldPoint> field_of(const lens::Lens& lens, int columns = 33, int rows = 19) {
  std::vector<FieldPoint> field;
  for (int j = 0; j < rows; ++j) {
    for (int i = 0; i < columns; ++i) {
      const Point2d plate(lens.plate_size.width * double(i) / (columns - 1),
                          lens.plate_size.height * double(j) / (rows - 1));
      const std::optional<Point2d> straight = lens::undistort_px(lens, plate);
      if (straight) field.push_back({*straight, plate});
    }
  }
  return field;
}

/// 3000 places all over the plate, so that rounding them is as good as random.
std::vector<FieldPoint> scattered_field_of(const lens::Lens& lens) {
  std::mt19937 random(7);
  const auto share = [&] { return static_cast<double>(random()) / 4294967296.0; };
  std::vector<FieldPoint> field;
  while (field.size() < 3000) {
    const double x = lens.plate_size.width * share();
    const Point2d plate(x, lens.plate_size.height * share());
    const std::optional<Point2d> straight = lens::undistort_px(lens, plate);
    if (straight) field.push_back({*straight, plate});
  }
  return field;
}

FieldFitOptions options_for(const std::string& model, Point2d focal_px = {1800.0, 1800.0}) {
  return {.model = model, .plate_size = {1920, 1080}, .focal_px = focal_px};
}

}  // namespace

TEST_CASE("every formula comes back from its own field") {
  const std::vector<lens::Lens> lenses{
      plate_lens(lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005})),
      plate_lens(lens::DivisionOneTerm({-0.15})),
      plate_lens(*lens::make_model(
          "rational", std::vector{0.2, 0.05, 0.002, 0.001, -0.0005, 0.32, 0.06, 0.004})),
      plate_lens(lens::RadialTangential({-0.1, 0.02, 0.0, 0.0, 0.0}), {1800.0, 2400.0})};
  for (const lens::Lens& truth : lenses) {
    const std::string model(lens::model_name(truth.model));
    CAPTURE(model);
    const std::vector<FieldPoint> field = field_of(truth);
    const Result<FieldFit> fit = fit_field(field, options_for(model));
    REQUIRE_MESSAGE(fit.has_value(), (fit ? "" : fit.error().message));
    // The coefficients of a rational lens trade against each other, and the last digits with them.
    CHECK(fit->max_px < (model == "rational" ? kFieldGoodEnoughPx : 1e-5));
    CHECK((fit->lens.principal_point_px - truth.principal_point_px).norm() < 0.05);
    CHECK(fit->lens.focal_px.y() / fit->lens.focal_px.x() ==
          doctest::Approx(truth.focal_px.y() / truth.focal_px.x()).epsilon(1e-4));
  }
}

TEST_CASE("auto takes the simplest model that is good enough") {
  const lens::Lens division = plate_lens(lens::DivisionOneTerm({-0.15}));
  const Result<FieldFit> fit = fit_field(field_of(division), options_for("auto"));
  REQUIRE(fit.has_value());
  CHECK(fit->max_px < kFieldGoodEnoughPx);
  CHECK(lens::model_name(fit->lens.model) == "division-1");
  CHECK(fit->trials.front().chosen);
}

TEST_CASE("a focal length that is not the lens's gives the same field with other coefficients") {
  const lens::Lens truth =
      plate_lens(lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005}));
  const Result<FieldFit> fit =
      fit_field(field_of(truth), options_for("radial-tangential", {900.0, 900.0}));
  REQUIRE(fit.has_value());
  CHECK(fit->lens.focal_px.x() == doctest::Approx(900.0).epsilon(1e-6));
  CHECK(fit->max_px < 1e-5);
  // Shorter by 2, k1 is a quarter (FORMULAS of a change of focal length: k_n c^2n).
  CHECK(lens::parameters(fit->lens.model)[0] == doctest::Approx(-0.12 / 4.0).epsilon(1e-3));
}

TEST_CASE("a fisheye's field tells its focal length") {
  lens::Lens truth = plate_lens(
      *lens::make_model("equidistant", std::vector{0.02, -0.006, 0.001, -0.0002}), {900.0, 900.0});
  const Result<FieldFit> fit = fit_field(field_of(truth), options_for("equidistant"));
  REQUIRE_MESSAGE(fit.has_value(), (fit ? "" : fit.error().message));
  CHECK(fit->max_px < 1e-3);
  CHECK(fit->lens.focal_px.x() == doctest::Approx(900.0).epsilon(1e-3));
}

TEST_CASE("a model that is better is taken though rounding hides it, and none for rounding alone") {
  // The places rounded to quarters of a pixel, as a map of half would: variance 1/12 of the step
  // squared on each axis. The truth is the lens before that.
  constexpr double kStep = 0.25;
  const auto rounded = [&](std::vector<FieldPoint> field) {
    for (FieldPoint& place : field) {
      place.plate_px = (place.plate_px / kStep).array().round().matrix() * kStep;
    }
    return field;
  };
  const auto off = [](const lens::Lens& lens, const std::vector<FieldPoint>& truth) {
    double sum = 0.0;
    for (const FieldPoint& place : truth) {
      sum += (*lens::distort_px(lens, place.straight_px) - place.plate_px).squaredNorm();
    }
    return std::sqrt(sum / static_cast<double>(truth.size()));
  };
  FieldFitOptions options = options_for("auto");
  const std::vector<FieldPoint> subtle =
      scattered_field_of(plate_lens(lens::RadialTangential({-0.12, 0.03, 0.0, 0.0004, -0.0003})));
  const Result<FieldFit> hidden = fit_field(rounded(subtle), options);
  options.noise_px = kStep * std::sqrt(2.0 / 12.0);
  const Result<FieldFit> found = fit_field(rounded(subtle), options);
  REQUIRE(hidden);
  REQUIRE(found);
  MESSAGE("off the lens by " << off(hidden->lens, subtle) << " px ("
                             << lens::model_name(hidden->lens.model)
                             << "), with the rounding known " << off(found->lens, subtle) << " px ("
                             << lens::model_name(found->lens.model) << ")");
  CHECK(off(found->lens, subtle) < 0.5 * off(hidden->lens, subtle));
  CHECK(off(found->lens, subtle) < 0.02);
  const std::vector<FieldPoint> simple =
      scattered_field_of(plate_lens(lens::DivisionOneTerm({-0.15})));
  const Result<FieldFit> plain = fit_field(rounded(simple), options);
  REQUIRE(plain);
  CHECK(lens::model_name(plain->lens.model) == "division-1");
  options.noise_px = -1.0;
  CHECK_FALSE(fit_field(simple, options));
}

TEST_CASE("a mirrored field is no lens's") {
  std::vector<FieldPoint> field =
      field_of(plate_lens(lens::RadialTangential({-0.12, 0.03, 0.0, 0.0, 0.0})));
  for (FieldPoint& place : field) place.plate_px.x() = 1920.0 - place.plate_px.x();
  const Result<FieldFit> fit = fit_field(field, options_for("radial-tangential"));
  CHECK((!fit || (fit->lens.focal_px.minCoeff() > 0.0 && fit->max_px > 100.0)));
}

TEST_CASE("what is not met is said, and nonsense refused") {
  const lens::Lens truth =
      plate_lens(lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005}));
  std::vector<FieldPoint> field = field_of(truth);
  for (FieldPoint& place : field) {
    place.plate_px.x() += 0.5 * std::sin(place.plate_px.y() / 50.0);
  }
  const Result<FieldFit> wavy = fit_field(field, options_for("radial-tangential"));
  REQUIRE(wavy.has_value());
  CHECK(wavy->rms_px == doctest::Approx(0.5 / std::sqrt(2.0)).epsilon(0.1));

  CHECK(fit_field({}, options_for("auto")).error().code == ErrorCode::kInvalidInput);
  CHECK(fit_field(field, options_for("wide-angle")).error().code == ErrorCode::kInvalidInput);
  CHECK_FALSE(fit_field(field, options_for("auto", {0.0, 1.0})).has_value());
  CHECK_FALSE(fit_field(field, {.model = "auto", .plate_size = {0, 0}, .focal_px = {1.0, 1.0}})
                  .has_value());
  field[7].plate_px.x() = std::numeric_limits<double>::quiet_NaN();
  CHECK_FALSE(fit_field(field, options_for("auto")).has_value());
  for (FieldPoint& place : field) place = {{5.0, 5.0}, {5.0, 5.0}};
  const Result<FieldFit> point = fit_field(field, options_for("radial-tangential"));
  CHECK((!point || point->lens.focal_px.allFinite()));
}

TEST_CASE("a straight picture that is scaled and shifted beside the lens is told from the lens") {
  const lens::Lens truth =
      plate_lens(lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005}));
  struct Case {
    Point2d scale;
    Point2d shift_px;
  };
  for (const Case& moved : {Case{{0.95, 0.95}, {0.0, 0.0}},
                            Case{{1.0, 1.0}, {30.0, -12.0}},
                            Case{{0.9, 0.92}, {-55.0, 8.0}}}) {
    CAPTURE(moved.scale.x());
    CAPTURE(moved.shift_px.x());
    std::vector<FieldPoint> field = field_of(truth);
    for (FieldPoint& place : field) {
      place.straight_px = truth.principal_point_px + moved.shift_px +
                          moved.scale.cwiseProduct(place.straight_px - truth.principal_point_px);
    }
    FieldFitOptions options = options_for("radial-tangential");
    const Result<FieldFit> held = fit_field(field, options);
    CHECK((!held || (held->max_px > kFieldGoodEnoughPx && !held->straight)));
    options.frees_straight_picture = true;
    const Result<FieldFit> fit = fit_field(field, options);
    REQUIRE_MESSAGE(fit.has_value(), (fit ? "" : fit.error().message));
    CHECK(fit->max_px < kFieldGoodEnoughPx);
    REQUIRE(fit->straight.has_value());
    CHECK((fit->straight->scale - moved.scale).norm() < 1e-3);
    CHECK((fit->straight->shift_px - moved.shift_px).norm() < 0.3);
    CHECK((fit->lens.principal_point_px - truth.principal_point_px).norm() < 0.3);
    CHECK(fit->lens.focal_px.y() / fit->lens.focal_px.x() == doctest::Approx(1.0).epsilon(1e-3));
  }
  // Nothing is moved where a model meets the field as it is.
  FieldFitOptions options = options_for("radial-tangential");
  options.frees_straight_picture = true;
  const Result<FieldFit> plain = fit_field(field_of(truth), options);
  REQUIRE(plain.has_value());
  CHECK_FALSE(plain->straight.has_value());
}
