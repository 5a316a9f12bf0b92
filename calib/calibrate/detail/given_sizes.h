#pragma once

#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/warning.h"
#include "calib/lens/film_back.h"
#include "calib/target/view.h"

namespace trueplate::detail {

/// The warning `film-back-aspect` (value: film back's aspect over the plate's, less 1) where the
/// sensor area given cannot have made the plate: its aspect is another by more than 2 %. Lenses
/// squeeze the world, not the sensor, so pixels of `pixel_aspect` behind a `squeeze` lens are
/// pixel_aspect / squeeze as wide as high on the sensor.
[[nodiscard]] std::optional<Warning> film_back_aspect(const lens::FilmBack& film_back,
                                                      ImageSize plate,
                                                      double pixel_aspect,
                                                      double squeeze);

/// The warning `chart-size` (value: mm) where the chart's points span less than 5 mm or more than
/// 100 m: what positions in other units look like. Common practice without a source.
[[nodiscard]] std::optional<Warning> chart_size(const std::vector<target::View>& views);

}  // namespace trueplate::detail
