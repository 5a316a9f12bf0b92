#pragma once

#include <string_view>

#include "calib/base/result.h"
#include "calib/exchange/conversion.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange {

/// No such text is larger.
inline constexpr std::size_t kMaxUsdBytes = std::size_t{64} << 20;

/// A station of a profile as a USD stage in text form (.usda) with one camera: the pinhole of the
/// straight picture, through which CG is rendered. USD's camera has no distortion: model,
/// coefficients and plate size go along in double precision as custom attributes, which this
/// program reads and others pass over.
/// errors  kInvalidInput: a film back or focal length beyond a float.
Result<Written> usd_camera_of(const profile::Profile& profile, const profile::Station& station);

/// The first camera of such a text, of whatever program: its pinhole, and the distortion where
/// custom attributes state one. Read are plain values; a focal length or aperture that is animated
/// is refused.
/// errors  kUnreadable: no USD text, no camera, numbers out of range; kUnsupported: animated;
///         kUndetermined: no plate size.
Result<Taken> lens_from_usd(std::string_view text, const Known& known, std::string_view source);

}  // namespace trueplate::exchange
