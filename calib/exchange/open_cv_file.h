#pragma once

#include <string_view>

#include "calib/base/result.h"
#include "calib/exchange/conversion.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange {

/// The three syntaxes of OpenCV's FileStorage.
enum class OpenCvSyntax { kYaml, kXml, kJson };

/// No such file is larger, nor nested deeper; FileStorage itself has no such limits.
inline constexpr std::size_t kMaxOpenCvBytes = std::size_t{4} << 20;

/// A station of a profile as a file for cv::FileStorage, written by it: `image_width`,
/// `image_height`, `camera_matrix`, `distortion_coefficients` as calib3d takes them (pixels counted
/// from the centre of the first one), `fisheye_model` 1 for cv::fisheye; and under names of its own
/// what a profile knows beside. The library's model of 5, 8, 12 or 14 coefficients, whichever holds
/// the lens; its fisheye model for the equidistant one.
/// errors  kNotConverged: no likeness; kUnsupported: the library refuses.
Result<Written> open_cv_file_of(const profile::Profile& profile,
                                const profile::Station& station,
                                OpenCvSyntax syntax);

/// Reads such a file, of whatever program. `camera_matrix` may also be called `K` or
/// `cameraMatrix`, and the coefficients `distCoeffs` or `D`; 4, 5, 8, 12 or 14 of them.
/// errors  kUnreadable: not for FileStorage, fields missing or not finite, a skew; kUndetermined:
///         no plate size.
Result<Taken> lens_from_open_cv(std::string_view text, const Known& known, std::string_view source);

}  // namespace trueplate::exchange
