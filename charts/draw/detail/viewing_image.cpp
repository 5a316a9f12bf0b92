#include "charts/draw/detail/viewing_image.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace trueplate::draw::detail {
namespace {

constexpr double kLowShare = 0.01;
constexpr double kHighShare = 0.99;
/// What the median becomes, between the two ends.
constexpr double kMiddle = 0.4;
/// Exponent for a picture in linear light; a display-coded one has 1.
constexpr double kLeastExponent = 1.0 / 2.4;
constexpr int kSamplesPerSide = 256;

/// How levels of the plate become greys.
struct Toning {
  double low = 0.0;
  double high = 1.0;
  double exponent = 1.0;

  [[nodiscard]] float grey(double level) const {
    const double share = std::clamp((level - low) / (high - low), 0.0, 1.0);
    return kDarkestGrey +
           (kLightestGrey - kDarkestGrey) * static_cast<float>(std::pow(share, exponent));
  }
};

Toning toning_of(ImageView<const float> luma, const Window& judged) {
  std::vector<double> levels;
  const int columns = std::min(judged.width, kSamplesPerSide);
  const int rows = std::min(judged.height, kSamplesPerSide);
  levels.reserve(static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows));
  const auto spread = [](int i, int count, int begin, int size) {
    return begin + static_cast<int>((i + 0.5) * size / count);
  };
  for (int j = 0; j < rows; ++j) {
    const float* row = luma.row(spread(j, rows, judged.y, judged.height));
    for (int i = 0; i < columns; ++i) {
      const float level = row[spread(i, columns, judged.x, judged.width)];
      if (std::isfinite(level)) levels.push_back(level);
    }
  }
  if (levels.empty()) return {};
  std::sort(levels.begin(), levels.end());
  const auto at = [&](double share) {
    return levels[static_cast<std::size_t>(share * static_cast<double>(levels.size() - 1))];
  };
  Toning toning{.low = at(kLowShare), .high = at(kHighShare), .exponent = 1.0};
  if (!(toning.high > toning.low)) {
    // One level only: between dark and light.
    return {.low = toning.low - 0.5, .high = toning.low + 0.5, .exponent = 1.0};
  }
  const double middle = (at(0.5) - toning.low) / (toning.high - toning.low);
  if (middle < kMiddle) {
    toning.exponent = middle > 0.0 ? std::max(kLeastExponent, std::log(kMiddle) / std::log(middle))
                                   : kLeastExponent;
  }
  return toning;
}

/// One pixel of a line that is a share of another line: pixels first .. first + weights.size() - 1
/// of the source.
struct Share {
  int first = 0;
  std::vector<double> weights;
};

std::vector<Share> shares(int from_size, int to_size) {
  std::vector<Share> result(static_cast<std::size_t>(to_size));
  const double step = static_cast<double>(from_size) / to_size;
  for (int i = 0; i < to_size; ++i) {
    const double begin = i * step;
    const double end = std::min<double>((i + 1) * step, from_size);
    Share& share = result[static_cast<std::size_t>(i)];
    share.first = std::min(static_cast<int>(begin), from_size - 1);
    const int last = std::clamp(static_cast<int>(std::ceil(end)) - 1, share.first, from_size - 1);
    for (int k = share.first; k <= last; ++k) {
      share.weights.push_back(std::min(k + 1.0, end) - std::max<double>(k, begin));
    }
  }
  return result;
}

/// Mean of the finite pixels of an area, NaN when there is none.
double mean(ImageView<const float> luma, const Share& across, const Share& down) {
  double sum = 0.0;
  double weight = 0.0;
  for (std::size_t j = 0; j < down.weights.size(); ++j) {
    const float* row = luma.row(down.first + static_cast<int>(j)) + across.first;
    for (std::size_t i = 0; i < across.weights.size(); ++i) {
      if (!std::isfinite(row[i])) continue;
      const double w = across.weights[i] * down.weights[j];
      sum += w * row[i];
      weight += w;
    }
  }
  return sum / weight;
}

}  // namespace

Image<float> viewing_image(ImageView<const float> luma, const Window& judged, ImageSize size) {
  const Toning toning = toning_of(luma, judged);
  const std::vector<Share> columns = shares(luma.width, size.width);
  const std::vector<Share> rows = shares(luma.height, size.height);
  Image<float> result(size.width, size.height, 1);
  for (int y = 0; y < size.height; ++y) {
    float* to = result.row(y);
    for (int x = 0; x < size.width; ++x) {
      const double level =
          mean(luma, columns[static_cast<std::size_t>(x)], rows[static_cast<std::size_t>(y)]);
      to[x] = std::isfinite(level) ? toning.grey(level) : kDarkestGrey;
    }
  }
  return result;
}

}  // namespace trueplate::draw::detail
