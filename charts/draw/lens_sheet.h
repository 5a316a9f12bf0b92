#pragma once

#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/profile.h"
#include "charts/draw/pages.h"

namespace trueplate::draw {

struct LensSheetOptions {
  std::string program = {};  // name and version
  std::string date = {};     // 2031-05-04
  /// Rows of the table, degrees off the axis; empty: eight equal steps to the farthest corner.
  std::vector<double> angles_deg = {};
  /// The focal length that ideal image heights are counted with, where a report has one of its own
  /// (balanced so that distortion is small over the picture); absent: the pinhole's.
  std::optional<double> reference_focal_mm = {};
};

/// Distortion at one angle off the axis, the mean over all directions: image heights are distances
/// from the principal point, horizontal ones multiplied by the ratio of the focal lengths.
struct HeightRow {
  double angle_deg = 0.0;
  double ideal_px = 0.0;  // focal length times the angle's tangent
  double actual_px = 0.0;

  /// ISO 9039: actual less ideal, over ideal, in percent.
  [[nodiscard]] double percent() const { return 100.0 * (actual_px - ideal_px) / ideal_px; }
};

/// The rows that the lens images; angles where it does not are left out.
/// errors  kInvalidInput: an angle that is not above 0 and below 90 degrees; a reference focal
///         length without a film back, or not above zero.
Result<std::vector<HeightRow>> height_rows(const lens::Lens& lens, const LensSheetOptions& options);

/// One page (A4) about a station of a profile: identity, distortion by the published definitions, a
/// table and a curve over image height, the image of a straight grid, how certain it is, and date.
/// In black only, so that a grey print says the same.
/// errors  as height_rows()
Result<Document> lens_sheet(const profile::Profile& profile,
                            const profile::Station& station,
                            const LensSheetOptions& options);

}  // namespace trueplate::draw
