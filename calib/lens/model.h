#pragma once

#include <optional>
#include <span>
#include <string_view>
#include <variant>
#include <vector>

#include "calib/base/result.h"
#include "calib/lens/radial_tangential.h"

namespace trueplate::lens {

/// The closed set of lens models. Each alternative has kName, kNumParameters, kParameterNames,
/// parameters(), distort(), undistort() and max_radius() with the meaning documented at
/// RadialTangential. Visit once per image or row, not per pixel.
using Model = std::variant<RadialTangential>;

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

/// distort / undistort / max_radius of whichever model it is.
[[nodiscard]] std::optional<Point2d> distort(const Model& model, const Point2d& p_ideal);
[[nodiscard]] std::optional<Point2d> undistort(const Model& model, const Point2d& p_distorted);
[[nodiscard]] double max_radius(const Model& model);

}  // namespace trueplate::lens
