#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>
#include <string_view>
#include <variant>

#include "calib/base/result.h"
#include "calib/lens/anamorphic.h"
#include "calib/lens/division.h"
#include "calib/lens/equidistant.h"
#include "calib/lens/free_centre.h"
#include "calib/lens/local_field.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/rational.h"
#include "calib/lens/spline_field.h"
#include "calib/lens/thin_prism.h"

namespace trueplate::lens {

/// The closed set of lens models. Each alternative has kName, kNumParameters, kParameterNames,
/// parameters(), distort(), undistort(), max_radius() and domain_radius() with the meaning
/// documented at RadialTangential, and where it images rays of 90 degrees and more off the axis
/// also distort_ray() and undistort_to_ray() as at Equidistant. Visit once per image or row, not
/// per pixel.
using Model = std::variant<RadialTangential,
                           Rational,
                           RationalPrism,
                           RationalPrismTilt,
                           RadialFreeCentre,
                           DivisionOneTerm,
                           DivisionTwoTerms,
                           Anamorphic4,
                           Anamorphic6,
                           Equidistant,
                           SplineField>;

/// One row of the model table: what the command line and the profile need to know of a model
/// without naming it in code.
struct ModelInfo {
  std::string_view name;
  std::span<const std::string_view> parameter_names;
};

/// All models, the default first.
[[nodiscard]] std::span<const ModelInfo> model_table();

[[nodiscard]] std::string_view model_name(const Model& model);
[[nodiscard]] std::span<const std::string_view> parameter_names(const Model& model);
[[nodiscard]] std::span<const double> parameters(const Model& model);

/// The model called `name` with the given values, in the order of its parameter names. Unknown
/// names, a wrong count and non-finite values are errors that list what is possible.
Result<Model> make_model(std::string_view name, std::span<const double> values);

/// distort / undistort of whichever model it is: between ideal points on the plane z = 1 and
/// distorted ones, nullopt outside the domain.
[[nodiscard]] std::optional<Point2d> distort(const Model& model, const Point2d& p_ideal);
[[nodiscard]] std::optional<Point2d> undistort(const Model& model, const Point2d& p_distorted);

/// The same for a ray in camera axes (x right, y down, z forward; any length but zero), which also
/// expresses directions 90 degrees and more off the axis. Models that have no such directions give
/// nullopt for them. The ray returned has length 1.
[[nodiscard]] std::optional<Point2d> distort_ray(const Model& model, const Eigen::Vector3d& ray);
[[nodiscard]] std::optional<Eigen::Vector3d> undistort_to_ray(const Model& model,
                                                              const Point2d& p_distorted);

/// The domain, the set of ideal points on which the lens is one-to-one, is star-shaped about the
/// axis: it holds the points p with |p| < domain_radius(p / |p|). Infinity where it has no edge.
[[nodiscard]] double domain_radius(const Model& model, const Point2d& direction);

/// Radius of the largest disc about the axis inside the domain.
[[nodiscard]] double max_radius(const Model& model);

/// The part of the model that exists only around where it was measured; nullopt for formulas.
[[nodiscard]] std::optional<LocalField> local_field(const Model& model);

}  // namespace trueplate::lens
