#include "calib/target/detail/pixel_window.h"

#include <algorithm>
#include <cmath>

namespace trueplate::target::detail {

std::vector<FitPixel> pixels_in(ImageView<const float> image,
                                const PixelWindow& window,
                                const Point2d& origin_px,
                                int most,
                                double blur_px) {
  constexpr double kNegligible = 1e-4;  // a weight
  const double cu = std::cos(window.angle_u), su = std::sin(window.angle_u);
  const double cv = std::cos(window.angle_v), sv = std::sin(window.angle_v);
  const double det = cu * sv - su * cv;
  const double half_x = window.reach_u_px * std::abs(cu) + window.reach_v_px * std::abs(cv);
  const double half_y = window.reach_u_px * std::abs(su) + window.reach_v_px * std::abs(sv);
  const Point2d& center = window.center_px;
  std::vector<FitPixel> pixels;
  if (!(center.x() + half_x > 0.0) || !(center.y() + half_y > 0.0) ||
      !(center.x() - half_x < image.width) || !(center.y() - half_y < image.height))
    return pixels;
  const auto first = [](double low) {
    return std::max(0, static_cast<int>(std::floor(low - 0.5)));
  };
  const auto last = [](double high, int size) {
    return static_cast<int>(std::min(size - 1.0, std::ceil(high - 0.5)));
  };
  const int x0 = first(center.x() - half_x);
  const int y0 = first(center.y() - half_y);
  const int x1 = last(center.x() + half_x, image.width);
  const int y1 = last(center.y() + half_y, image.height);
  if (x1 < x0 || y1 < y0) return pixels;
  const int step =
      thinning(4.0 * window.reach_u_px * window.reach_v_px * std::abs(det), most, blur_px);
  pixels.reserve(static_cast<std::size_t>((x1 - x0) / step + 1) *
                 static_cast<std::size_t>((y1 - y0) / step + 1));
  for (int y = y0; y <= y1; y += step) {
    const float* row = image.row(y);
    const double dy = y + 0.5 - center.y();
    for (int x = x0; x <= x1; x += step) {
      const double dx = x + 0.5 - center.x();
      const double tu = (dx * sv - dy * cv) / det;
      const double tv = (cu * dy - su * dx) / det;
      const double weight =
          taper(tu / window.reach_u_px) * taper(tv / window.reach_v_px) *
          taper(std::min(std::abs(tu) / window.clear_u_px, std::abs(tv) / window.clear_v_px));
      if (weight < kNegligible || !std::isfinite(row[x])) continue;
      pixels.push_back(
          {x + 0.5 - origin_px.x(), y + 0.5 - origin_px.y(), static_cast<double>(row[x]), weight});
    }
  }
  return pixels;
}

}  // namespace trueplate::target::detail
