#pragma once

#include <span>
#include <vector>

#include "calib/base/image.h"

namespace trueplate::synth::detail {

/// Pixel area and Gaussian blur as one weight function, integrated along one axis from cells that
/// know the mean of the light and its first moment.
///
/// Inside each cell the weight is replaced by the straight line nearest to it (least squares), so a
/// cell contributes mean * light + slope * moment. The mean alone would let a blurred edge jump
/// from cell to cell: with two cells per pixel and sigma 0.7 px that moves the corners of a
/// checkerboard by 0.008 px, with the moment by less than 0.001 px.
class Gather {
 public:
  /// sigma_px >= 0; zero leaves the pixel area alone. The number of cells is chosen to suit it.
  explicit Gather(double sigma_px);
  /// The same with a number of cells of the caller's choice.
  Gather(double sigma_px, int cells_per_pixel);

  [[nodiscard]] int cells_per_pixel() const { return cells_per_pixel_; }
  /// Pixels that are needed beyond each side of the picture.
  [[nodiscard]] int margin_px() const { return margin_px_; }

  /// Weights of the cells from margin_px() before a pixel to margin_px() behind it. A moment is the
  /// integral of light * (x - centre of the cell) over the cell, divided by its width, in px.
  [[nodiscard]] std::span<const float> mean_weights() const { return mean_; }
  [[nodiscard]] std::span<const float> slope_weights() const { return slope_; }

 private:
  int cells_per_pixel_ = 1;
  int margin_px_ = 0;
  std::vector<float> mean_;
  std::vector<float> slope_;
};

/// A row of cells, margins included, sorted by their place within the pixel: the first cell of all
/// pixels, then the second of all pixels, and so on. So a weight runs over neighbours in memory.
class CellRow {
 public:
  CellRow(int num_pixels, int cells_per_pixel)
      : num_pixels_(num_pixels),
        cells_(static_cast<std::size_t>(num_pixels) * static_cast<std::size_t>(cells_per_pixel)) {}

  float& at(int pixel, int cell) { return cells_[index(pixel, cell)]; }
  [[nodiscard]] const float* from(int pixel, int cell) const { return &cells_[index(pixel, cell)]; }
  void fill(float value) { cells_.assign(cells_.size(), value); }

 private:
  [[nodiscard]] std::size_t index(int pixel, int cell) const {
    return static_cast<std::size_t>(cell) * static_cast<std::size_t>(num_pixels_) +
           static_cast<std::size_t>(pixel);
  }
  int num_pixels_;
  std::vector<float> cells_;
};

/// out[x] += sum of weights[k] * cells around pixel x, for a row of `width` pixels.
void add_along_row(const Gather& gather,
                   std::span<const float> weights,
                   const CellRow& cells,
                   int width,
                   float* out);

/// The same across rows: row r of `cells` is cell r % cells_per_pixel of pixel row r /
/// cells_per_pixel - margin_px.
void add_across_rows(const Gather& gather,
                     std::span<const float> weights,
                     const Image<float>& cells,
                     int y,
                     float* out);

}  // namespace trueplate::synth::detail
