#include "calib/target/detail/line_offset.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <vector>

namespace trueplate::target::detail {
namespace {

constexpr double kStepPx = 0.5;

/// Bilinear value at a point; nullopt outside and where a pixel is not finite.
std::optional<double> value_at(ImageView<const float> image, const Point2d& p) {
  const double fx = p.x() - 0.5;
  const double fy = p.y() - 0.5;
  if (!(fx >= 0.0 && fy >= 0.0 && fx < image.width - 1.0 && fy < image.height - 1.0))
    return std::nullopt;
  const int ix = static_cast<int>(fx);
  const int iy = static_cast<int>(fy);
  const double ax = fx - ix;
  const double ay = fy - iy;
  const float* a = image.row(iy) + ix;
  const float* b = image.row(iy + 1) + ix;
  const double value =
      (1.0 - ay) * ((1.0 - ax) * a[0] + ax * a[1]) + ay * ((1.0 - ax) * b[0] + ax * b[1]);
  return std::isfinite(value) ? std::optional(value) : std::nullopt;
}

/// Mean value along a stretch about `middle`; NaN where nothing is known.
double mean_along(ImageView<const float> image,
                  const Point2d& middle,
                  const Point2d& along,
                  double half_length_px) {
  double sum = 0.0;
  int count = 0;
  for (double t = -half_length_px; t <= half_length_px; t += 1.0) {
    const std::optional<double> value = value_at(image, middle + t * along);
    if (!value) continue;
    sum += *value;
    ++count;
  }
  return count > 0 ? sum / count : std::numeric_limits<double>::quiet_NaN();
}

/// The median of what is known; nullopt where too little is.
std::optional<double> paper_of(const std::vector<double>& profile) {
  std::vector<double> known;
  for (const double value : profile)
    if (std::isfinite(value)) known.push_back(value);
  if (known.size() < 3) return std::nullopt;
  const auto middle = known.begin() + static_cast<std::ptrdiff_t>(known.size() / 2);
  std::nth_element(known.begin(), middle, known.end());
  return *middle;
}

/// Middle of the stretch about the largest departure from the paper that has half of it or more, as
/// an index; nullopt where all is paper.
std::optional<double> middle_of_peak(const std::vector<double>& profile, double paper) {
  const auto off = [&](int i) { return profile[static_cast<std::size_t>(i)] - paper; };
  const int last = static_cast<int>(profile.size()) - 1;
  int peak = -1;
  double most = 0.0;
  for (int i = 0; i <= last; ++i) {
    if (!std::isfinite(off(i)) || std::abs(off(i)) <= std::abs(most)) continue;
    most = off(i);
    peak = i;
  }
  if (peak < 0) return std::nullopt;
  int first = peak;
  int final = peak;
  while (first > 0 && off(first - 1) * most > 0.5 * most * most) --first;
  while (final < last && off(final + 1) * most > 0.5 * most * most) ++final;
  return 0.5 * (first + final);
}

}  // namespace

double offset_of_line(ImageView<const float> image,
                      const Point2d& center_px,
                      const Point2d& along,
                      double half_length_px,
                      double range_px) {
  const Point2d normal(-along.y(), along.x());
  const int n = std::max(2, static_cast<int>(std::ceil(range_px / kStepPx)));
  std::vector<double> profile;
  profile.reserve(static_cast<std::size_t>(2 * n + 1));
  for (int i = -n; i <= n; ++i)
    profile.push_back(mean_along(image, center_px + i * kStepPx * normal, along, half_length_px));
  const std::optional<double> paper = paper_of(profile);
  if (!paper) return 0.0;
  const std::optional<double> middle = middle_of_peak(profile, *paper);
  return middle ? (*middle - n) * kStepPx : 0.0;
}

}  // namespace trueplate::target::detail
