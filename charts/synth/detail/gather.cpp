#include "charts/synth/detail/gather.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace trueplate::synth::detail {
namespace {

/// A cell is at most half a sigma wide where that takes no more than six of them.
constexpr double kCellsPerSigma = 2.0;
constexpr int kMaxCellsPerPixel = 6;
constexpr double kReachSigmas = 4.5;  // leaves out 7e-6 of the weight

int cells_for(double sigma_px) {
  if (sigma_px <= 0.0) return 1;
  return std::clamp(static_cast<int>(std::ceil(kCellsPerSigma / sigma_px)), 1, kMaxCellsPerPixel);
}

/// The pixel's area, blurred: integral of a Gaussian over the unit interval around x.
double weight_at(double x, double sigma) {
  const double scale = 1.0 / (sigma * std::numbers::sqrt2);
  return 0.5 * (std::erf((x + 0.5) * scale) - std::erf((x - 0.5) * scale));
}

}  // namespace

Gather::Gather(double sigma_px) : Gather(sigma_px, cells_for(sigma_px)) {}

Gather::Gather(double sigma_px, int cells_per_pixel) : cells_per_pixel_(cells_per_pixel) {
  if (sigma_px <= 0.0) {
    mean_.assign(static_cast<std::size_t>(cells_per_pixel),
                 1.0F / static_cast<float>(cells_per_pixel));
    slope_.assign(mean_.size(), 0.0F);
    return;
  }
  margin_px_ = static_cast<int>(std::ceil(kReachSigmas * sigma_px));
  const double size = 1.0 / cells_per_pixel_;
  const int num_cells = (2 * margin_px_ + 1) * cells_per_pixel_;
  std::vector<double> mean;
  std::vector<double> slope;
  double sum = 0.0;
  for (int k = 0; k < num_cells; ++k) {
    const double centre = (k + 0.5) * size - 0.5 - margin_px_;
    // Midpoint rule; fine enough that the narrowest blur is resolved.
    constexpr int kSteps = 64;
    double integral = 0.0;
    double first_moment = 0.0;
    for (int i = 0; i < kSteps; ++i) {
      const double offset = size * ((i + 0.5) / kSteps - 0.5);
      const double weight = weight_at(centre + offset, sigma_px) / kSteps;
      integral += weight;
      first_moment += weight * offset;
    }
    mean.push_back(integral * size);
    // Least squares line through the weight: 12 / size^2 is the inverse second moment of a cell.
    slope.push_back(first_moment * 12.0 / (size * size) * size);
    sum += mean.back();
  }
  for (const double value : mean) mean_.push_back(static_cast<float>(value / sum));
  for (const double value : slope) slope_.push_back(static_cast<float>(value / sum));
}

void add_along_row(const Gather& gather,
                   std::span<const float> weights,
                   const CellRow& cells,
                   int width,
                   float* out) {
  const int n = gather.cells_per_pixel();
  for (int k = 0; k < static_cast<int>(weights.size()); ++k) {
    const float weight = weights[static_cast<std::size_t>(k)];
    const float* from = cells.from(k / n, k % n);
    for (int x = 0; x < width; ++x) out[x] += weight * from[x];
  }
}

void add_across_rows(const Gather& gather,
                     std::span<const float> weights,
                     const Image<float>& cells,
                     int y,
                     float* out) {
  const int width = cells.width();
  for (int k = 0; k < static_cast<int>(weights.size()); ++k) {
    const float weight = weights[static_cast<std::size_t>(k)];
    const float* from = cells.row(y * gather.cells_per_pixel() + k);
    for (int x = 0; x < width; ++x) out[x] += weight * from[x];
  }
}

}  // namespace trueplate::synth::detail
