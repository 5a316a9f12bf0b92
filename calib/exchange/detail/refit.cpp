#include "calib/exchange/detail/refit.h"

#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <utility>
#include <vector>

#include "calib/fit/field_fit.h"

namespace trueplate::exchange {

Result<void> check_fidelity(const Fidelity& fidelity, double limit_px) {
  if (fidelity.max_px <= limit_px) return {};
  return fail(ErrorCode::kUnsupported,
              fmt::format("as {} the lens is missed by {:.3f} px (rms), {:.3f} px at worst, at "
                          "{:.0f},{:.0f} of the plate; more than {} px is written only when forced",
                          fidelity.model,
                          fidelity.rms_px,
                          fidelity.max_px,
                          fidelity.max_at_px.x(),
                          fidelity.max_at_px.y(),
                          limit_px));
}

namespace detail {
namespace {

// Fitted on one grid, judged on another that shares only the corners with it.
constexpr int kFitNodes = 37;
constexpr int kJudgeNodes = 64;
/// For a field that is stated with its focal length: not the fisheye, which would take another one.
constexpr std::array<std::string_view, 6> kModelsInOrder{lens::RadialTangential::kName,
                                                         lens::Rational::kName,
                                                         lens::RadialFreeCentre::kName,
                                                         lens::RationalPrism::kName,
                                                         lens::RationalPrismTilt::kName,
                                                         lens::SplineField::kName};

std::vector<Point2d> grid(ImageSize plate, int nodes) {
  std::vector<Point2d> places;
  for (int j = 0; j < nodes; ++j) {
    for (int i = 0; i < nodes; ++i) {
      places.emplace_back(static_cast<double>(plate.width) * i / (nodes - 1),
                          static_cast<double>(plate.height) * j / (nodes - 1));
    }
  }
  return places;
}

/// The straight place of a plate place by the function that is known, its inverse by Newton's
/// method with differences when it is the other one.
std::optional<Point2d> straight_of(const StatedField& field, const Point2d& plate_px) {
  if (field.straight_from_plate) return field.straight_from_plate(plate_px);
  constexpr int kMaxSteps = 50;
  constexpr double kDifferencePx = 0.5;
  constexpr double kTolerancePx = 1e-9;
  Point2d p = plate_px;
  for (int step = 0; step < kMaxSteps; ++step) {
    const std::optional<Point2d> here = field.plate_from_straight(p);
    const std::optional<Point2d> right = field.plate_from_straight(p + Point2d(kDifferencePx, 0.0));
    const std::optional<Point2d> below = field.plate_from_straight(p + Point2d(0.0, kDifferencePx));
    if (!here || !right || !below) return std::nullopt;
    Eigen::Matrix2d slope;
    slope << (*right - *here) / kDifferencePx, (*below - *here) / kDifferencePx;
    const double area = slope.determinant();
    if (!(area > 1e-6)) return std::nullopt;  // folded
    const Point2d miss = *here - plate_px;
    if (miss.norm() <= kTolerancePx) return p;
    p -= Point2d(slope(1, 1) * miss.x() - slope(0, 1) * miss.y(),
                 slope(0, 0) * miss.y() - slope(1, 0) * miss.x()) /
         area;
    if (!p.allFinite()) return std::nullopt;
  }
  return std::nullopt;
}

std::vector<fit::FieldPoint> places_of(const StatedField& field, ImageSize plate, int nodes) {
  std::vector<fit::FieldPoint> places;
  for (const Point2d& plate_px : grid(plate, nodes)) {
    const std::optional<Point2d> straight_px = straight_of(field, plate_px);
    if (straight_px && straight_px->allFinite()) places.push_back({*straight_px, plate_px});
  }
  return places;
}

Fidelity judged(std::span<const fit::FieldPoint> places, const FieldFunction& plate_from_straight) {
  Fidelity fidelity;
  double sum = 0.0;
  for (const fit::FieldPoint& place : places) {
    const std::optional<Point2d> found = plate_from_straight(place.straight_px);
    const double miss =
        found ? (*found - place.plate_px).norm() : std::numeric_limits<double>::infinity();
    sum += miss * miss;
    if (miss <= fidelity.max_px) continue;
    fidelity.max_px = miss;
    fidelity.max_at_px = place.plate_px;
  }
  if (!places.empty()) fidelity.rms_px = std::sqrt(sum / static_cast<double>(places.size()));
  return fidelity;
}

Fidelity judged(std::span<const fit::FieldPoint> places, const lens::Lens& lens) {
  Fidelity fidelity =
      judged(places, [&lens](const Point2d& p) { return lens::distort_px(lens, p); });
  fidelity.model = lens::model_name(lens.model);
  return fidelity;
}

/// The lens's own field.
StatedField field_of(const lens::Lens& lens) {
  return {.straight_from_plate = [lens](const Point2d& p) { return lens::undistort_px(lens, p); }};
}

Refit finished(fit::FieldFit fitted,
               const lens::Lens& frame,
               std::span<const fit::FieldPoint> judges) {
  Refit refit;
  refit.lens = frame;
  refit.lens.focal_px = fitted.lens.focal_px;
  refit.lens.principal_point_px = fitted.lens.principal_point_px;
  refit.lens.model = std::move(fitted.lens.model);
  refit.fidelity = judged(judges, refit.lens);
  refit.fidelity.refitted = true;
  refit.fidelity.principal_shift_px =
      (refit.lens.principal_point_px - frame.principal_point_px).norm();
  return refit;
}

/// One model, fitted to the field.
Result<Refit> fitted(const StatedField& field,
                     const lens::Lens& frame,
                     std::string_view model,
                     std::span<const fit::FieldPoint> places) {
  Result<fit::FieldFit> found = fit::fit_field(
      places,
      {.model = std::string(model), .plate_size = frame.plate_size, .focal_px = frame.focal_px});
  if (!found) return fail(found.error());
  return finished(*std::move(found), frame, places_of(field, frame.plate_size, kJudgeNodes));
}

/// The first of the models that is good enough, else the nearest.
Result<Refit> nearest_of(const StatedField& field,
                         const lens::Lens& frame,
                         std::span<const std::string_view> models) {
  const std::vector<fit::FieldPoint> places = places_of(field, frame.plate_size, kFitNodes);
  std::optional<Refit> best;
  std::string reasons;
  for (const std::string_view model : models) {
    Result<Refit> refit = fitted(field, frame, model, places);
    if (!refit) {
      reasons += fmt::format("{}{}: {}", reasons.empty() ? "" : "; ", model, refit.error().message);
      continue;
    }
    if (!best || refit->fidelity.max_px < best->fidelity.max_px) best = *std::move(refit);
    if (best->fidelity.max_px <= fit::kFieldGoodEnoughPx) break;
  }
  if (best) return *std::move(best);
  return fail(ErrorCode::kNotConverged, fmt::format("no lens meets the field ({})", reasons));
}

}  // namespace

std::vector<Point2d> border_places(ImageSize plate) {
  constexpr int kSteps = 256;
  const double w = plate.width;
  const double h = plate.height;
  std::vector<Point2d> places;
  for (int i = 0; i <= kSteps; ++i) {
    const double share = static_cast<double>(i) / kSteps;
    places.insert(places.end(),
                  {{share * w, 0.0}, {share * w, h}, {0.0, share * h}, {w, share * h}});
  }
  return places;
}

Fidelity fidelity_of(const lens::Lens& lens, const lens::Lens& other) {
  return judged(places_of(field_of(lens), lens.plate_size, kJudgeNodes), other);
}

Fidelity fidelity_of(const lens::Lens& lens, const FieldFunction& other) {
  return judged(places_of(field_of(lens), lens.plate_size, kJudgeNodes), other);
}

Result<Refit> lens_of_field(const StatedField& field,
                            const lens::Lens& frame,
                            const std::string& model) {
  const std::string_view one = model;
  if (model != "auto") return nearest_of(field, frame, {&one, 1});
  return nearest_of(field, frame, kModelsInOrder);
}

Result<Refit> lens_in_form(const lens::Lens& lens, std::span<const std::string_view> models) {
  const std::string_view own = lens::model_name(lens.model);
  if (std::find(models.begin(), models.end(), own) != models.end()) {
    return Refit{lens, {.model = std::string(own)}};
  }
  return nearest_of(field_of(lens), lens, models);
}

}  // namespace detail
}  // namespace trueplate::exchange
