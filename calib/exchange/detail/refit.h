#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/exchange/conversion.h"
#include "calib/lens/lens.h"

namespace trueplate::exchange::detail {

/// A lens in a form that is asked for.
struct Refit {
  lens::Lens lens;
  Fidelity fidelity;
};

/// The lens itself where its model is among `models`, else the nearest of them, fitted to the
/// lens's own field (fit::fit_field), the straight picture and focal length staying as they are.
/// errors  kNotConverged: none of the models meets the lens over the plate.
Result<Refit> lens_in_form(const lens::Lens& lens, std::span<const std::string_view> models);

/// Where a field shows on the plate what stands at a place of the straight picture, or the reverse;
/// nullopt where it has nothing.
using FieldFunction = std::function<std::optional<Point2d>(const Point2d&)>;

/// A lens of the named model for a field that a file states; "auto": the first formula that meets
/// it within fit::kFieldGoodEnoughPx, else the nearest model. One of the functions is set: from
/// straight to plate, or from plate to straight. `frame` has plate size and focal length, and all
/// that the fitted lens keeps.
struct StatedField {
  FieldFunction plate_from_straight = {};
  FieldFunction straight_from_plate = {};
};
Result<Refit> lens_of_field(const StatedField& field,
                            const lens::Lens& frame,
                            const std::string& model);

/// Places along the border of a plate, its corners among them.
[[nodiscard]] std::vector<Point2d> border_places(ImageSize plate);

/// How well another lens, or a field from the straight picture to the plate, images as `lens`.
[[nodiscard]] Fidelity fidelity_of(const lens::Lens& lens, const lens::Lens& other);
[[nodiscard]] Fidelity fidelity_of(const lens::Lens& lens, const FieldFunction& other);

}  // namespace trueplate::exchange::detail
