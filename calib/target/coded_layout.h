#pragma once

#include <string_view>

namespace trueplate::target {

/// One square of a checkerboard: column 0, row 0 is the outermost one at the chart's origin. Square
/// (i, j) covers x = (i - 1) .. i pitch and y = (j - 1) .. j pitch; inner corner (0, 0) is its
/// corner towards +x, +y for i = j = 0.
struct ChartSquare {
  int column = 0;
  int row = 0;

  friend bool operator==(const ChartSquare&, const ChartSquare&) = default;
};

/// Colours of every checkerboard this project draws: square (0, 0) is dark.
[[nodiscard]] constexpr bool is_light_square(ChartSquare square) {
  return (square.column + square.row) % 2 != 0;
}

/// The coded checkerboard: each light square carries one square marker in its middle, its top row
/// towards -y. A square is kCodedModulesPerSquare modules wide, a marker kCodedMarkerModules, of
/// which the outermost are dark on all sides and the others are the bits. So no marker comes nearer
/// to a corner than two modules, and where a square is a multiple of ten pixels every edge falls on
/// a pixel.
///
/// Marker bits and identities are those of the dictionary of this name in OpenCV's aruco module.
inline constexpr std::string_view kCodedDictionary = "DICT_4X4_1000";
inline constexpr int kCodedModulesPerSquare = 10;
inline constexpr int kCodedMarkerModules = 6;
inline constexpr int kCodedNumIds = 1000;

/// The number on a light square does not depend on the size of the chart, so one marker that was
/// read tells its column and row even on a chart that runs off the frame:
///     id = 25 row + column / 2          (whole numbers; column + row is odd)
inline constexpr int kCodedIdsPerRow = 25;
/// Most squares along x and y: the identities suffice for no more.
inline constexpr int kCodedMaxSquaresX = 2 * kCodedIdsPerRow;
inline constexpr int kCodedMaxSquaresY = kCodedNumIds / kCodedIdsPerRow;

/// The marker of a light square within the limits above.
[[nodiscard]] constexpr int coded_marker_id(ChartSquare square) {
  return kCodedIdsPerRow * square.row + square.column / 2;
}

/// The light square whose marker is `id`, 0 .. kCodedNumIds - 1.
[[nodiscard]] constexpr ChartSquare coded_square(int id) {
  const int row = id / kCodedIdsPerRow;
  return {2 * (id % kCodedIdsPerRow) + (row % 2 == 0 ? 1 : 0), row};
}

}  // namespace trueplate::target
