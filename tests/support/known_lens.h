#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "calib/fit/closed_form.h"
#include "calib/lens/lens.h"
#include "calib/target/view.h"
#include "tests/support/field.h"

namespace trueplate::tests {

/// A lens of which everything is known: one that a model of the program holds exactly, or one about
/// whose axis a radius r of z = 1 is imaged at radial(r), which none of them holds.
struct KnownLens {
  std::string name;
  ImageSize plate_size;
  Point2d focal_px = {0.0, 0.0};
  Point2d principal_point_px = {0.0, 0.0};
  std::optional<lens::Model> model;
  std::function<double(double)> radial = {};
};

/// Six lenses as they are shot, on plates `width` pixels wide: spherical, strong barrel, moustache
/// (of no family), anamorphic of squeeze 2 with its axis turned, fisheye, long.
std::vector<KnownLens> known_lenses(int width);

/// The same as one of the program's lenses; nullopt for one of no family.
std::optional<lens::Lens> as_lens(const KnownLens& lens);

/// Plate pixels of a point of z = 1, and back.
std::optional<Point2d> plate_px(const KnownLens& lens, const Point2d& p_ideal);
std::optional<Point2d> ideal_at(const KnownLens& lens, const Point2d& p_plate_px);

/// How far `found` images the rays that the true lens has at places all over the plate from those
/// places, after the best scale and shift of each axis, in plate pixels. A ray that `found` does
/// not image counts as infinitely wrong.
FieldError plate_error(const lens::Lens& found, const KnownLens& truth);

/// The least root mean square of plate_error() that an unbiased estimate of the lens, its model
/// known, can have from these points (H. Cramer 1946, C. R. Rao 1945): the inverse of the Fisher
/// information of `poses` and lens, at the truth, noise of `noise_px` a coordinate. All derivatives
/// are differences of plate_px(); nothing of the fit is used. Wants a lens of a family.
double cramer_rao_px(const KnownLens& truth,
                     const std::vector<target::View>& views,
                     const std::vector<fit::Pose>& poses,
                     double noise_px);

}  // namespace trueplate::tests
