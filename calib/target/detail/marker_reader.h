#pragma once

#include <optional>
#include <vector>

#include "calib/base/image.h"
#include "calib/target/detail/lattice.h"
#include "calib/target/detail/marker_bank.h"

namespace trueplate::target::detail {

/// A marker read in the square between places (column, row) and (column + 1, row + 1).
struct MarkerRead {
  Place square = {0, 0};
  int id = 0;
  int turns = 0;  // as of MarkerMatch
};

/// Reads the markers of a coded checkerboard in the squares between measured corners. A square of
/// either colour may carry one of the other colour, so inverted charts need no word.
///
/// A square is rectified by the homography of its corners; its modules' means are compared with
/// every marker in every turn, see MarkerBank. Only that is a read which leaves no doubt: the
/// misfit is at most kMaxMisfit, and kMinMisfitRatio times smaller than that of the next best; the
/// contrast is about that of the corners. Pixels that are NaN or infinite, or outside the image, do
/// not count; a module without any is not read, and its square neither.
class MarkerReader {
 public:
  /// `image` must outlive the reader.
  explicit MarkerReader(ImageView<const float> image) : image_(image) {}

  /// In order of the squares' columns and rows.
  std::vector<MarkerRead> read(const Lattice& lattice);

 private:
  std::optional<MarkerRead> read_square(const Lattice& lattice, Place square);
  std::optional<MarkerSamples> sample(const Eigen::Matrix3d& image_from_square) const;

  ImageView<const float> image_;
  MarkerBank bank_;
};

inline constexpr double kMaxMisfit = 0.1;
inline constexpr double kMinMisfitRatio = 4.0;

}  // namespace trueplate::target::detail
