#include "calib/profile/focal_label.h"

#include <fmt/format.h>

#include <cmath>
#include <string_view>

namespace trueplate::profile {
namespace {

/// One standard deviation of a focal length, as a share of it; 0 where it is not known.
double sigma_share(const Station& station, std::string_view parameter, double focal_px) {
  if (!station.uncertainty) return 0.0;
  return sigma(*station.uncertainty, parameter).value_or(0.0) / focal_px;
}

}  // namespace

std::optional<Warning> focal_label_far(const Station& station) {
  const std::optional<Point2d> focal_mm = lens::focal_mm(station.lens);
  if (!station.nominal_focal_mm || !focal_mm) return std::nullopt;
  const double label_mm = *station.nominal_focal_mm;
  double measured_mm = focal_mm->y();
  double sigma = sigma_share(station, "focal_y_px", station.lens.focal_px.y());
  if (const double along_x = focal_mm->x() * station.lens.squeeze;
      std::abs(along_x - label_mm) < std::abs(measured_mm - label_mm)) {
    measured_mm = along_x;
    sigma = sigma_share(station, "focal_x_px", station.lens.focal_px.x());
  }
  const double longer = measured_mm / label_mm - 1.0;
  const double explained = 3.0 * sigma * measured_mm / label_mm;
  if (!(std::abs(longer) > kFocalLabelFar && std::abs(longer) > explained)) return std::nullopt;
  return Warning{
      "focal-label-far",
      fmt::format("the focal length measured is {:.4g} mm and the label says {:g} mm, {:+.0f} %, "
                  "where barrel and glass differ by a few percent: another clip's frames, a wrong "
                  "focal length given, or a wrong film back",
                  measured_mm,
                  label_mm,
                  100.0 * longer),
      100.0 * longer};
}

}  // namespace trueplate::profile
