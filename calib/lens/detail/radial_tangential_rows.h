#pragma once

#include <span>

#include "calib/lens/lens.h"

namespace trueplate::lens::detail {

/// distort_row() and undistort_row() (calib/lens/rows.h) of a lens whose model is
/// RadialTangential, with the widest vectors the processor has. `model` is the one inside `lens`.
void distort_row_vectorised(const Lens& lens,
                            const RadialTangential& model,
                            double x0_px,
                            double y_px,
                            std::span<double> out_x,
                            std::span<double> out_y);
void undistort_row_vectorised(const Lens& lens,
                              const RadialTangential& model,
                              double x0_px,
                              double y_px,
                              std::span<double> out_x,
                              std::span<double> out_y);

}  // namespace trueplate::lens::detail
