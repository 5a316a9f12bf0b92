#pragma once

#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "calib/base/image.h"
#include "calib/target/detail/corner_candidates.h"
#include "calib/target/detail/smooth_grid.h"
#include "calib/target/saddle.h"

namespace trueplate::target::detail {

/// Measured crossings by (column, row); the origin is arbitrary. Right-handed, and the colours
/// alternate from crossing to crossing.
class Lattice {
 public:
  using Place = std::pair<int, int>;

  [[nodiscard]] const std::map<Place, Saddle>& saddles() const { return saddles_; }
  [[nodiscard]] int size() const { return static_cast<int>(saddles_.size()); }
  void set(int column, int row, const Saddle& saddle) { saddles_[{column, row}] = saddle; }
  void erase(int column, int row) { saddles_.erase({column, row}); }
  [[nodiscard]] const Saddle* find(int column, int row) const;

  [[nodiscard]] std::vector<GridPoint> points() const;
  /// Smallest and largest place; both (0, 0) when empty.
  [[nodiscard]] std::pair<Place, Place> bounds() const;
  /// +1 or -1: the sign of the contrast at even places, by majority.
  [[nodiscard]] int parity() const;

 private:
  std::map<Place, Saddle> saddles_;
};

/// Whether `saddle` has the colours a crossing at (column, row) of a lattice of `parity` has.
[[nodiscard]] bool has_colours(const Saddle& saddle, int column, int row, int parity);

/// The guess for the crossing (column, row) of a smooth grid.
SaddleGuess guess_at(const SmoothGrid& smooth, int column, int row, double blur_px);

/// The crossing (column, row) continued from the next ones in line, where there are two or three:
/// each step as long as the last one, changed as much as that one changed. Follows a bend that the
/// smooth grid does not. The mean over the directions that allow it; nullopt without any.
std::optional<Point2d> continued(const Lattice& lattice, int column, int row);

/// Median blur and contrast of a lattice, to judge further corners by.
struct Looks {
  double blur_px = 0.0;
  double contrast = 0.0;  // absolute value
};
Looks looks_of(const Lattice& lattice);

/// Measures the crossing (column, row) at `guess`. Nullopt unless it is one: right colours, near
/// its place, edges along the grid, looks like the others.
std::optional<Saddle> probe(ImageView<const float> image,
                            const SaddleGuess& guess,
                            int column,
                            int row,
                            int parity,
                            const Looks& looks,
                            const SaddleOptions& options);

/// The largest lattice found from the candidates: four that form a square are a seed, and grow by
/// predicting the next crossings and measuring them in `image`. The search ends early when a
/// lattice has `enough` corners.
///
/// image     the pixels themselves, for the measurements
/// toned     the same as toned() gives it, for the look along an edge
Lattice grow_lattice(ImageView<const float> image,
                     ImageView<const float> toned,
                     const std::vector<CornerCandidate>& candidates,
                     int enough);

}  // namespace trueplate::target::detail
