#include "calib/calibrate/lens_from_field.h"

#include <fmt/format.h>

#include <chrono>
#include <cmath>
#include <utility>

#include "calib/base/timestamp.h"

namespace trueplate {
namespace {

/// A normal lens, where nothing is known: focal length over the width of the frame.
constexpr double kAssumedFocalWidths = 50.0 / 36.0;

Result<Point2d> focal_of(const LensFromFieldOptions& options, double pixel_aspect) {
  double focal_x = kAssumedFocalWidths * options.plate_size.width;
  if (options.nominal_focal_mm) {
    if (!options.film_back) {
      return fail(ErrorCode::kInvalidInput,
                  "a nominal focal length in mm means nothing without the film back");
    }
    focal_x = *options.nominal_focal_mm * options.plate_size.width / options.film_back->width_mm;
  }
  return Point2d(focal_x, focal_x * pixel_aspect);
}

std::vector<Warning> warnings_of(const fit::FieldFit& fit, const LensFromFieldOptions& options) {
  std::vector<Warning> warnings;
  if (!options.nominal_focal_mm) {
    warnings.push_back(
        {"focal-assumed",
         fmt::format(
             "a map does not tell the focal length: {:.0f} px was assumed; the picture does "
             "not depend on it, the coefficients and a camera solve do: give --focal and "
             "--film-back where they are known",
             fit.lens.focal_px.x()),
         fit.lens.focal_px.x()});
  }
  if (fit.straight) {
    const fit::StraightPlace& straight = *fit.straight;
    warnings.push_back(
        {"straight-moved",
         fmt::format(
             "the straight picture of the map is scaled by {:.5f} x {:.5f} and shifted by "
             "{:.2f}, {:.2f} px beside the pinhole of the lens; the profile holds the lens, "
             "whose own maps make it without: bend CG that was rendered for this map with "
             "this map",
             straight.scale.x(),
             straight.scale.y(),
             straight.shift_px.x(),
             straight.shift_px.y()),
         straight.shift_px.norm()});
  }
  const Point2d principal_px = fit.lens.principal_point_px;
  const Point2d plate(fit.lens.plate_size.width, fit.lens.plate_size.height);
  const Point2d off_px = principal_px - 0.5 * plate;
  if (std::abs(off_px.x()) > 0.5 * plate.x() || std::abs(off_px.y()) > 0.5 * plate.y()) {
    warnings.push_back({"principal-point-far",
                        fmt::format("the principal point lies outside the plate, at {:.0f}, {:.0f} "
                                    "px: the map is met, but hardly by the lens it is of",
                                    principal_px.x(),
                                    principal_px.y()),
                        off_px.norm() / plate.maxCoeff()});
  }
  if (fit.max_px > fit::kFieldGoodEnoughPx) {
    warnings.push_back(
        {"field-not-met",
         fmt::format("no model meets the map everywhere: this one misses it by {:.3f} px (rms), "
                     "{:.3f} px at worst, at {:.0f},{:.0f} of the plate",
                     fit.rms_px,
                     fit.max_px,
                     fit.max_at_px.x(),
                     fit.max_at_px.y()),
         fit.max_px});
  }
  return warnings;
}

}  // namespace

Result<LensFromField> lens_from_field(std::span<const fit::FieldPoint> field,
                                      const LensFromFieldOptions& options) {
  const double pixel_aspect = options.pixel_aspect.value_or(options.squeeze);
  const Result<Point2d> focal_px = focal_of(options, pixel_aspect);
  if (!focal_px) return fail(focal_px.error());
  Result<fit::FieldFit> fit = fit::fit_field(field,
                                             {.model = options.model,
                                              .plate_size = options.plate_size,
                                              .focal_px = *focal_px,
                                              .frees_straight_picture = true,
                                              .noise_px = options.noise_px});
  if (!fit) return fail(fit.error());
  fit->lens.pixel_aspect = pixel_aspect;
  fit->lens.squeeze = options.squeeze;
  fit->lens.film_back = options.film_back;

  profile::Station station;
  station.lens = fit->lens;
  station.nominal_focal_mm = options.nominal_focal_mm;
  station.focus_m = options.focus_m;
  station.t_stop = options.t_stop;
  station.warnings = warnings_of(*fit, options);
  LensFromField result;
  result.profile.labels = options.labels;
  result.profile.stations.push_back(std::move(station));
  result.profile.provenance = {
      .created = utc_timestamp(std::chrono::system_clock::now()),
      .program = "trueplate",
      .program_version = options.program_version,
      .method = fmt::format("least squares on {} places of {}, no footage: rms {:.4f} px, largest "
                            "miss {:.4f} px",
                            field.size(),
                            options.origin,
                            fit->rms_px,
                            fit->max_px),
      .footage = {}};
  result.fit = *std::move(fit);
  return result;
}

}  // namespace trueplate
