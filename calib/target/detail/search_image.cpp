#include "calib/target/detail/search_image.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/target/detection.h"

namespace trueplate::target::detail {

Image<float> reduce(ImageView<const float> image, int factor) {
  const int width = image.width / factor;
  const int height = image.height / factor;
  Image<float> result(width, height, 1);
  for (int y = 0; y < height; ++y) {
    float* out = result.row(y);
    for (int x = 0; x < width; ++x) {
      double sum = 0.0;
      int count = 0;
      for (int dy = 0; dy < factor; ++dy) {
        const float* row = image.row(y * factor + dy) + static_cast<std::ptrdiff_t>(x) * factor;
        for (int dx = 0; dx < factor; ++dx) {
          if (!std::isfinite(row[dx])) continue;
          sum += row[dx];
          ++count;
        }
      }
      out[x] =
          count > 0 ? static_cast<float>(sum / count) : std::numeric_limits<float>::quiet_NaN();
    }
  }
  return result;
}

std::vector<int> search_factors(ImageView<const float> image, int search_side_px) {
  const double longer = std::max(image.width, image.height);
  std::vector<int> factors;
  for (const double target : {0.5, 1.0, 0.25, 2.0}) {
    const int factor =
        std::max(1, static_cast<int>(std::lround(longer / (target * search_side_px))));
    if (std::min(image.width, image.height) / factor < kMinDetectSidePx) continue;
    if (std::find(factors.begin(), factors.end(), factor) == factors.end())
      factors.push_back(factor);
  }
  return factors;
}

Range percentiles(ImageView<const float> image, double low, double high) {
  constexpr double kWanted = 60000.0;
  const double total = static_cast<double>(image.width) * image.height;
  const int step = std::max(1, static_cast<int>(std::sqrt(total / kWanted)));
  std::vector<float> values;
  for (int y = step / 2; y < image.height; y += step) {
    const float* row = image.row(y);
    for (int x = step / 2; x < image.width; x += step)
      if (std::isfinite(row[x])) values.push_back(row[x]);
  }
  if (values.empty()) return {};
  const auto pick = [&](double share) {
    const auto rank = static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
    std::nth_element(values.begin(), values.begin() + rank, values.end());
    return values[static_cast<std::size_t>(rank)];
  };
  return {pick(low), pick(high)};
}

}  // namespace trueplate::target::detail
