#pragma once

#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "warp/overscan.h"

namespace trueplate::warp {

/// Where t = 0 lies. Common practice, no source: compositing expects the bottom left. The string is
/// what the command line and the EXR header say.
enum class TOrigin { kBottomLeft, kTopLeft };
[[nodiscard]] std::string_view to_text(TOrigin origin);

/// Which picture a map makes.
enum class MapDirection {
  kUndistort,  // output: the straightened picture; values: positions in the plate
  kRedistort,  // output: the plate; values: positions in the straightened picture
};
[[nodiscard]] std::string_view to_text(MapDirection direction);

/// For every output pixel, where to look in the source picture.
///
/// With the position (x, y) in source pixels, measured from the top-left corner of the source's
/// DISPLAY window (x right, y down, pixel centres at i + 0.5):
///     s = x / source_display.width
///     t = y / source_display.height            TOrigin::kTopLeft
///     t = 1 - y / source_display.height        TOrigin::kBottomLeft
/// The identity at pixel (i, j) is s = (i + 0.5) / width, t = 1 - (j + 0.5) / height. Values
/// outside 0..1 are legal: they point into overscan. NaN in both channels marks "no source" (the
/// lens has no image or no inverse there). Rounding to float moves a position by at most 2^-25 of
/// the coordinate's power of two: 1.2e-4 px at 4096 pixels width inside the display window.
struct StMap {
  Image<float> st;        // R = s, G = t; pixel (0, 0) is the first pixel of output.data
  FrameWindows output;    // of the picture the map makes; output.data has the size of `st`
  Window source_display;  // what 0..1 spans in the source
  TOrigin t_origin = TOrigin::kBottomLeft;
  MapDirection direction = MapDirection::kUndistort;
};

/// Checks that the windows are not empty and that `st` has two channels and the size of the data
/// window.
Result<void> validate(const StMap& map);

/// Position in source pixels (frame of StMap above) of a map value, and back. NaN stays NaN.
[[nodiscard]] Point2d position_from_st(const Point2d& p_st, ImageSize source, TOrigin origin);
[[nodiscard]] Point2d st_from_position(const Point2d& p_px, ImageSize source, TOrigin origin);

struct MapOptions {
  /// Display window of both pictures, in the coordinates of their files. Unset: the lens's plate
  /// size at (0, 0). Another size than calibrated scales the lens with lens::scaled_to().
  std::optional<Window> display_window = {};
  /// How far the output's data window reaches beyond its display window, in output pixels.
  EdgePixels overscan_px = {};
  /// Of the straight picture, at the lens's plate size; unset: the pinhole of the lens.
  std::optional<StraightPinhole> straight = {};
  TOrigin t_origin = TOrigin::kBottomLeft;
  int threads = 0;  // 0 = all cores; any number gives the same bits
};

/// Display and data window of the picture that a map made with these options yields. Errors:
/// an empty display window, a negative overscan, a side above kMaxImageSide.
Result<FrameWindows> output_windows(const lens::Lens& lens, const MapOptions& options);

/// The map that makes the straightened picture: each output pixel looks up distort(p) in the plate.
/// Computed in double and rounded once to float; NaN outside the domain of the lens model. Errors:
/// those of output_windows() and of lens::validate(). `recycled` may be a map no longer needed: its
/// memory is used again when the size is the same, which saves the cost of fresh pages when every
/// frame has its own lens.
Result<StMap> make_undistort_map(const lens::Lens& lens,
                                 const MapOptions& options = {},
                                 StMap recycled = {});

/// The map that gives the lens back to a straight picture: each output pixel looks up undistort(p)
/// in the straightened picture, whose display window is the plate's. NaN where the lens has no
/// inverse. Otherwise as make_undistort_map().
Result<StMap> make_redistort_map(const lens::Lens& lens,
                                 const MapOptions& options = {},
                                 StMap recycled = {});

}  // namespace trueplate::warp
