#pragma once

#include <optional>
#include <span>
#include <utility>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "warp/st_map.h"

namespace trueplate::warp::detail {

/// Where the pixels of an output picture look in the source, row by row: what a map stores and what
/// warping without a map evaluates anew.
class MapRows {
 public:
  /// Errors: those of lens::validate() and output_windows().
  static Result<MapRows> create(const lens::Lens& lens,
                                MapDirection direction,
                                const MapOptions& options);

  [[nodiscard]] const FrameWindows& windows() const { return windows_; }

  /// Source positions of the output pixels (column + i, row), counted within the data window, in
  /// pixels from the top-left corner of the display window. NaN where there is none. Some hundred
  /// at a time are fastest. Safe from any thread.
  void positions(int row, int column, std::span<double> x_px, std::span<double> y_px) const;

 private:
  MapRows(lens::Lens lens,
          const std::optional<StraightPinhole>& lands_on,
          MapDirection direction,
          const FrameWindows& windows)
      : lens_(std::move(lens)), lands_on_(lands_on), direction_(direction), windows_(windows) {}

  lens::Lens lens_;  // at the size of the display window, with the pinhole of the output
  std::optional<StraightPinhole> lands_on_;  // the pinhole of the source, where it is another
  MapDirection direction_;
  FrameWindows windows_;
};

}  // namespace trueplate::warp::detail
