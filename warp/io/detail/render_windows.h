#pragma once

#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/footage/frame.h"
#include "warp/io/detail/picture_lenses.h"
#include "warp/overscan.h"
#include "warp/resample.h"

// Where the plate lies in a straight picture that is to be bent: by the file's windows, or, in
// formats without windows, by what the caller says, checked against the plate's size.
namespace trueplate::warp::detail {

/// An overscan that straightening gives of its own accord, and with which options.
struct OwnOverscan {
  EdgePixels edges;
  Filter filter = Filter::kCubic;
  int round_to = 2;
};

/// The overscans of that kind, whatever filter and rounding the plate was straightened with. Looks
/// at the lenses once, when first asked; they have to outlive it. Safe from any thread.
class OwnOverscans {
 public:
  explicit OwnOverscans(const PictureLenses& lenses) : lenses_(lenses) {}

  /// With one filter and rounding; nullopt where the lens straightens nothing of the plate.
  [[nodiscard]] std::optional<EdgePixels> with(Filter filter, int round_to) const;
  /// Those that make a picture of this size of the calibrated plate, each once.
  [[nodiscard]] std::vector<OwnOverscan> making(ImageSize size, int round_to) const;

 private:
  const PictureLenses& lenses_;
  mutable std::once_flag asked_;
  mutable std::optional<EdgePixels> least_;  // without room for a filter, rounded to whole pixels
};

/// What is known of such pictures before one is seen.
struct RenderTerms {
  const PictureLenses& lenses;  // at the calibrated size
  const OwnOverscans& own;      // theirs
  OverscanRequest overscan;     // as stated by the caller; kAuto: as the file's windows say
  int round_to = 1;             // of a percentage
  Filter filter = Filter::kCubic;
};

/// Gives a frame, all its parts, the windows that the stated overscan means; kAuto changes nothing
/// but refuses a picture without windows that has the plate's shape and just a size that
/// straightening makes: nobody can tell whether it was resized.
/// What the file's windows say otherwise, or the overscan that straightening gives a picture of
/// this size, is a warning of the frame (`overscan-differs`; value: the largest difference of an
/// edge in pixels).
/// Errors  kInvalidInput: parts of different windows; an overscan that leaves nothing, or that
///         leaves a plate of another size than the calibrated one (but for a resized plate, see
///         kResized), with the numbers that would fit.
Result<void> take_stated_overscan(footage::Frame& frame, const RenderTerms& terms);

/// A plate that is by less than this share larger or smaller than the calibrated one is not taken
/// for a resized one when the overscan is stated in pixels: the numbers are wrong.
inline constexpr double kResized = 0.03;

/// What to say to a picture without windows that is larger than the plate both ways, of another
/// shape than it: which overscan would explain its size.
[[nodiscard]] std::string overscan_advice(const RenderTerms& terms, ImageSize found);

/// A picture without windows of the plate's shape that is larger than it, of a size that is not
/// straightening's own: taken for resized, but it may be the plate with overscan. nullopt where
/// that is no question. `overscan-or-resized`; value: the scale.
[[nodiscard]] std::optional<Warning> resize_doubt(const RenderTerms& terms,
                                                  const FrameWindows& windows);

/// `render-too-small` (value: missing pixels) for a straight picture that ends at the edge of the
/// display window or beyond, but not as far out as `needed`; it names `advised`. A side that ends
/// within the display window is that of an element on black, cropped to what is not: nothing is
/// missing there.
[[nodiscard]] std::optional<Warning> too_small(const FrameWindows& windows,
                                               const EdgePixels& needed,
                                               const EdgePixels& advised);

}  // namespace trueplate::warp::detail
