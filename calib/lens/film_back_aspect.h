#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/base/warning.h"
#include "calib/lens/film_back.h"

namespace trueplate::lens {

/// The warning `film-back-aspect` (value: film back's aspect over the plate's, less 1) where the
/// sensor area given cannot have made the plate: its aspect is another by more than 2 %. Lenses
/// squeeze the world, not the sensor, so pixels of `pixel_aspect` behind a `squeeze` lens are
/// pixel_aspect / squeeze as wide as high on the sensor.
[[nodiscard]] std::optional<Warning> film_back_aspect(const FilmBack& film_back,
                                                      ImageSize plate,
                                                      double pixel_aspect,
                                                      double squeeze);

}  // namespace trueplate::lens
