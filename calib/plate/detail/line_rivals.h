#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "calib/lens/lens.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// A model that was fitted to the same lines as its rivals, and straightens the whole plate.
struct LineRival {
  lens::Lens lens;
  double sum_squares_px2 = 0.0;  // of the residuals
  int num_coefficients = 0;
  double map_sigma_rms_px = 0.0;  // if the model holds
};

/// What lines say about which of several models is the lens's, and what it costs to be wrong.
class LineRivals {
 public:
  /// Weights are those of the Bayesian information criterion (G. Schwarz, Annals of Statistics
  /// 6(2), 1978): exp(-chi_square / 2) n^(-coefficients / 2) for n = num_terms, each model as
  /// likely beforehand; chi_square is the sum of squares over variance_px2.
  ///
  /// variance_px2   of a point, as the slow parts of the residuals show it
  /// num_terms      independent slow terms of all lines, 1 or more
  LineRivals(std::vector<LineRival> rivals, double variance_px2, double num_terms);

  [[nodiscard]] double weight(std::size_t which) const { return weights_[which]; }

  /// How far the map of `other` is from that of `which`.
  [[nodiscard]] const std::optional<MapsApart>& apart(std::size_t which, std::size_t other) const {
    return apart_[which][other];
  }

  /// What the others' maps are expected to be off from that of `which`: root of the mean square,
  /// each model counted by its weight.
  [[nodiscard]] MapsApart doubt(std::size_t which) const;

  /// The rival to be taken instead of `preferred`: itself while the doubt about it is below its own
  /// standard deviation, else the one about which the doubt is smallest.
  [[nodiscard]] std::size_t choice(std::size_t preferred) const;

 private:
  std::vector<LineRival> rivals_;
  std::vector<double> weights_;
  std::vector<std::vector<std::optional<MapsApart>>> apart_;
};

}  // namespace trueplate::plate::detail
