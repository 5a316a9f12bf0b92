#pragma once

#include <optional>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/coded_layout.h"
#include "calib/target/detail/lattice.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/view.h"

namespace trueplate::target::detail {

/// What the detectors of checkerboards, plain or coded, share.

/// Largest departure of a corner from what its neighbours say, share of a step.
inline constexpr double kMaxOffPlace = 0.12;

/// SaddleOptions::clear_share of a coded checkerboard, whose light squares carry markers.
inline constexpr double kCodedClearShare =
    0.5 * (kCodedModulesPerSquare - kCodedMarkerModules) / kCodedModulesPerSquare;

/// Whether most nodes of `piece` lie on the area of `lattice`: within a step of its nodes.
bool lies_on(const Lattice& piece, const Lattice& lattice);

/// Corners of a rough lattice, found on a copy of the image reduced by `factor`, measured on the
/// image itself, with those it missed at the reduced size. `extent` bounds the places that may be
/// added, from (0, 0). `clear_share`: see SaddleOptions.
Lattice measured(ImageView<const float> luma,
                 const Lattice& rough,
                 int factor,
                 const std::optional<Extent>& extent,
                 double clear_share);

/// Row by row, place (0, 0) at the chart's origin.
std::vector<Corner> corners_of(const Lattice& lattice, double pitch_mm);

/// Of a chart of unknown grid: fewer than kMinFreePoints corners, or kMinFreeSide columns or rows.
[[nodiscard]] bool too_few_free(const Lattice& lattice);
/// The error that says so.
Unexpected no_free_grid(const Lattice& lattice);

}  // namespace trueplate::target::detail
