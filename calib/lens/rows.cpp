#include "calib/lens/rows.h"

#include <cassert>
#include <variant>

#include "calib/lens/detail/plain_rows.h"
#include "calib/lens/detail/radial_tangential_rows.h"

namespace trueplate::lens {
namespace {

// A model with kernels of its own adds an overload to each of the two sets.

template <class M>
void distort_row_of(const M& model,
                    const Lens& lens,
                    double x0_px,
                    double y_px,
                    std::span<double> out_x,
                    std::span<double> out_y) {
  detail::distort_row_plain(model, lens, x0_px, y_px, out_x, out_y);
}

void distort_row_of(const RadialTangential& model,
                    const Lens& lens,
                    double x0_px,
                    double y_px,
                    std::span<double> out_x,
                    std::span<double> out_y) {
  detail::distort_row_vectorised(lens, model, x0_px, y_px, out_x, out_y);
}

template <class M>
void undistort_row_of(const M& model,
                      const Lens& lens,
                      double x0_px,
                      double y_px,
                      std::span<double> out_x,
                      std::span<double> out_y) {
  detail::undistort_row_plain(model, lens, x0_px, y_px, out_x, out_y);
}

void undistort_row_of(const RadialTangential& model,
                      const Lens& lens,
                      double x0_px,
                      double y_px,
                      std::span<double> out_x,
                      std::span<double> out_y) {
  detail::undistort_row_vectorised(lens, model, x0_px, y_px, out_x, out_y);
}

}  // namespace

void distort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y) {
  assert(out_x.size() == out_y.size());
  std::visit([&](const auto& m) { distort_row_of(m, lens, x0_px, y_px, out_x, out_y); },
             lens.model);
}

void undistort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y) {
  assert(out_x.size() == out_y.size());
  std::visit([&](const auto& m) { undistort_row_of(m, lens, x0_px, y_px, out_x, out_y); },
             lens.model);
}

}  // namespace trueplate::lens
