#pragma once

#include <string>

#include "calib/base/result.h"
#include "calib/exchange/conversion.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange {

/// Rows of a table that is written, the axis among them: dense enough that straight lines between
/// them stay within 0.001 px.
inline constexpr int kRadialTableRows = 201;

/// A station's distortion as a CSV table of image heights (distances from the principal point, in
/// pixels of the plate's height, horizontal distances multiplied by focal y / focal x):
/// `ideal_height_px`, `actual_height_px`, `distortion_percent` (ISO 9039: actual less ideal, over
/// ideal), and in mm where there is a film back. Comments carry the pinhole. What is not radial
/// about the principal point is lost: the curve is the mean over all directions, and the fidelity
/// says what it misses.
Result<Written> radial_table_of(const profile::Profile& profile, const profile::Station& station);

/// The lens of such a table: `ideal_height_px` or `_mm`, and `actual_height_px` or `_mm`, or
/// `distortion_percent`. Between rows a cubic is laid; beyond the last there is nothing. Fitted by
/// `known.model`. `# image: WxH`, `# focal_px: X,Y` and `# principal_point_px: X,Y` may be absent:
/// then what is known counts, and the middle of the plate.
/// errors  kUnreadable: rows that do not grow, fewer than 4; kUndetermined: no size or focal
///         length; kNotConverged: no lens meets it.
Result<Taken> lens_from_radial_table(std::string text,
                                     const Known& known,
                                     const std::string& source);

}  // namespace trueplate::exchange
