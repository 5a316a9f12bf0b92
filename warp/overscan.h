#pragma once

#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/lens/lens.h"

namespace trueplate::warp {

/// Whole pixels per edge by which a data window reaches beyond its display window; none negative.
struct EdgePixels {
  int left = 0;
  int top = 0;
  int right = 0;
  int bottom = 0;

  friend bool operator==(const EdgePixels&, const EdgePixels&) = default;
};

/// The pinhole of a straight picture: p_px = focal_px * p_ideal + principal_point_px, per axis. Of
/// pictures that are to lie on each other, such as the colours of a plate, each with a lens of its
/// own, only one can have the pinhole of its lens.
struct StraightPinhole {
  Point2d focal_px = {0.0, 0.0};
  Point2d principal_point_px = {0.0, 0.0};
};

/// `display` grown by `edges`.
[[nodiscard]] Window data_window(const Window& display, const EdgePixels& edges);

/// What the user asked for.
struct OverscanRequest {
  enum class Kind {
    kNone,
    kAuto,     // the whole plate is kept
    kPercent,  // of width at left and right, of height at top and bottom, per side
    kPixels,
  };
  Kind kind = Kind::kAuto;
  double percent = 0.0;    // kPercent
  EdgePixels pixels = {};  // kPixels
};

/// `none`, `auto`, `8%` or `L,T,R,B` in whole pixels. Errors name the text and what is possible.
Result<OverscanRequest> parse_overscan(std::string_view text);

/// The part of the straightened picture that the plate fills, in plate pixels (origin at the
/// display window's top-left corner), not rounded. Its corners are extremes of undistort(p) over
/// the plate's edges (x = 0, x = width, y = 0, y = height: outer edges of pixels, not centres) and,
/// where the lens folds inside the plate, over the fold.
struct StraightBounds {
  Point2d min_px = {0.0, 0.0};
  Point2d max_px = {0.0, 0.0};
  /// Share of the plate's border that has an inverse, 0..1. Below 1 the bounds cover only the part
  /// of the plate that can be straightened at all.
  double invertible_share = 1.0;
};
[[nodiscard]] StraightBounds straight_bounds(const lens::Lens& lens);

/// Smallest factor by which a picture centred on the plate's centre must be enlarged, equally in x
/// and y, to hold the bounds: equations (23) and (24) of the OpenLensIO lens model, version 1.0.0.
/// Below 1 when the straightened plate is smaller than the plate.
[[nodiscard]] double overscan_factor(const StraightBounds& bounds, ImageSize plate_size);
/// The same for a data window that exists: whatever edge reaches furthest decides. Never below 1.
[[nodiscard]] double overscan_factor(const EdgePixels& edges, ImageSize plate_size);

struct OverscanOptions {
  /// Every edge of kAuto and kPercent is rounded up to a multiple of this, 1 or more; so edges that
  /// were equal stay equal and an even number keeps the width even. kPixels are taken as given.
  int round_to = 1;
  /// kAuto: pixels added to each edge that needs overscan, for filters that look beyond the
  /// plate's edge (the radius of the resampling kernel; 0 keeps just the plate's outer edges).
  int margin_px = 0;
  /// Of the straightened picture, at the lens's plate size; unset: the pinhole of the lens.
  std::optional<StraightPinhole> straight = std::nullopt;
};

struct Overscan {
  EdgePixels edges;
  std::vector<Warning> warnings;  // "overscan-no-inverse", "overscan-large", "beyond-field"
};

/// Overscan of the straightened picture of `lens`, at the size of lens.plate_size (use
/// lens::scaled_to() for another). kAuto gives the smallest data window, never smaller than the
/// display window, that holds straight_bounds(). Errors: an invalid lens or option; a data window
/// above kMaxImageSide, with the size it would have.
Result<Overscan> overscan(const lens::Lens& lens,
                          const OverscanRequest& request,
                          const OverscanOptions& options = {});

/// The same for several lenses of one plate size whose straight pictures are to have one data
/// window, such as the colours of a plate with OverscanOptions::straight: on each edge what the
/// lens needs that reaches furthest. A warning that several lenses give is there once. `lenses`
/// must not be empty.
Result<Overscan> common_overscan(std::span<const lens::Lens> lenses,
                                 const OverscanRequest& request,
                                 const OverscanOptions& options = {});

}  // namespace trueplate::warp
