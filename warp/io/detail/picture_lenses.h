#pragma once

#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "warp/overscan.h"
#include "warp/resample.h"

namespace trueplate::warp::detail {

/// One lens for all channels, or those of the colours. All are of one plate size.
struct PictureLenses {
  lens::Lens main;  // of all channels but the following
  std::optional<lens::Lens> red = std::nullopt;
  std::optional<lens::Lens> blue = std::nullopt;

  [[nodiscard]] bool per_colour() const { return red.has_value(); }
  [[nodiscard]] std::vector<lens::Lens> all() const;
  /// The pinhole that the straight pictures of all colours share, or they would not lie on each
  /// other; nullopt for a single lens.
  [[nodiscard]] std::optional<StraightPinhole> shared_pinhole() const;
};

/// The lenses for a picture of another size. Errors: those of lens::for_picture_of().
Result<PictureLenses> lenses_for(const PictureLenses& calibrated, ImageSize size);

/// The overscan that all lenses need together. The kernel looks beyond the plate's edge; with its
/// radius as margin no pixel of the plate is interpolated with black on the way back.
Result<Overscan> straight_overscan(const PictureLenses& lenses,
                                   const OverscanRequest& request,
                                   int round_to,
                                   Filter filter);

}  // namespace trueplate::warp::detail
