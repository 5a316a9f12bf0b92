#include "calib/target/detail/corner_candidates.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>

#include "calib/target/detail/search_image.h"

namespace trueplate::target::detail {
namespace {

constexpr int kRingSamples = 32;
constexpr double kRingRadiusPx = 3.6;
constexpr int kMargin = 6;             // the ring and the derivatives stay inside the image
constexpr float kMinResponse = 2e-6F;  // of the determinant, for a contrast of 1: noise is below
constexpr double kMinSymmetry = 0.6;   // correlation of the ring with itself after half a turn
constexpr int kMinSector = 3;          // samples, 34 degrees
constexpr std::size_t kMostPeaks = 20000;

// Gaussian along both axes; the border repeats the last pixel.
Image<float> blurred(const Image<float>& image, double blur) {
  const int reach = static_cast<int>(std::ceil(3.0 * blur));
  std::vector<float> kernel;
  double sum = 0.0;
  for (int i = -reach; i <= reach; ++i) sum += std::exp(-0.5 * i * i / (blur * blur));
  for (int i = -reach; i <= reach; ++i)
    kernel.push_back(static_cast<float>(std::exp(-0.5 * i * i / (blur * blur)) / sum));
  const int width = image.width();
  const int height = image.height();
  Image<float> across(width, height, 1);
  std::vector<float> line(static_cast<std::size_t>(width + 2 * reach));
  for (int y = 0; y < height; ++y) {
    const float* in = image.row(y);
    for (int x = 0; x < width + 2 * reach; ++x)
      line[static_cast<std::size_t>(x)] = in[std::clamp(x - reach, 0, width - 1)];
    float* out = across.row(y);
    std::fill(out, out + width, 0.0F);
    for (std::size_t t = 0; t < kernel.size(); ++t) {
      const float weight = kernel[t];
      const float* shifted = line.data() + t;
      for (int x = 0; x < width; ++x) out[x] += weight * shifted[x];
    }
  }
  Image<float> result(width, height, 1);
  for (int y = 0; y < height; ++y) {
    float* out = result.row(y);
    std::fill(out, out + width, 0.0F);
    for (std::size_t t = 0; t < kernel.size(); ++t) {
      const float weight = kernel[t];
      const float* in = across.row(std::clamp(y + static_cast<int>(t) - reach, 0, height - 1));
      for (int x = 0; x < width; ++x) out[x] += weight * in[x];
    }
  }
  return result;
}

double bilinear(ImageView<const float> image, double x, double y) {
  const double fx = x - 0.5;
  const double fy = y - 0.5;
  const int ix = static_cast<int>(fx);
  const int iy = static_cast<int>(fy);
  const double tx = fx - ix;
  const double ty = fy - iy;
  const float* a = image.row(iy) + ix;
  const float* b = image.row(iy + 1) + ix;
  return (1.0 - ty) * ((1.0 - tx) * a[0] + tx * a[1]) + ty * ((1.0 - tx) * b[0] + tx * b[1]);
}

struct Peak {
  int x = 0;
  int y = 0;
  float response = 0.0F;
};

// The ring around a peak, or nullopt when it is not a checkerboard corner's.
std::optional<CornerCandidate> read_ring(ImageView<const float> image, const Peak& peak) {
  const Point2d center(peak.x + 0.5, peak.y + 0.5);
  std::array<double, kRingSamples> ring{};
  double mean = 0.0;
  for (int i = 0; i < kRingSamples; ++i) {
    const double t = 2.0 * std::numbers::pi * i / kRingSamples;
    const auto n = static_cast<std::size_t>(i);
    ring[n] = bilinear(
        image, center.x() + kRingRadiusPx * std::cos(t), center.y() + kRingRadiusPx * std::sin(t));
    mean += ring[n] / kRingSamples;
  }
  // Opposite samples agree at a corner, so the threshold between the colours is their mean even
  // when one colour takes the larger part of the ring: use the middle of the extremes of the
  // symmetric part.
  double product = 0.0;
  double energy = 0.0;
  std::array<double, kRingSamples / 2> even{};
  double low = 1e30;
  double high = -1e30;
  for (std::size_t i = 0; i < kRingSamples / 2; ++i) {
    const double a = ring[i] - mean;
    const double b = ring[i + kRingSamples / 2] - mean;
    product += 2.0 * a * b;
    energy += a * a + b * b;
    even[i] = 0.5 * (ring[i] + ring[i + kRingSamples / 2]);
    low = std::min(low, even[i]);
    high = std::max(high, even[i]);
  }
  if (!(energy > 0.0) || product < kMinSymmetry * energy) return std::nullopt;
  const double middle = 0.5 * (low + high);

  // The symmetric part crosses the middle exactly twice in half a turn.
  std::array<double, 2> crossings{};
  int num_crossings = 0;
  double sign_after_first = 0.0;
  constexpr std::size_t kHalf = kRingSamples / 2;
  for (std::size_t i = 0; i < kHalf; ++i) {
    const double a = even[i] - middle;
    const double b = even[(i + 1) % kHalf] - middle;
    if ((a < 0.0) == (b < 0.0)) continue;
    if (num_crossings == 2) return std::nullopt;
    const double at = static_cast<double>(i) + a / (a - b);
    if (num_crossings == 0) sign_after_first = b < 0.0 ? -1.0 : 1.0;
    crossings[static_cast<std::size_t>(num_crossings++)] = at;
  }
  if (num_crossings != 2) return std::nullopt;
  const double sector = crossings[1] - crossings[0];
  if (sector < kMinSector || sector > static_cast<double>(kHalf) - kMinSector) return std::nullopt;
  CornerCandidate candidate;
  candidate.p_px = center;
  candidate.angle_a = 2.0 * std::numbers::pi * crossings[0] / kRingSamples;
  candidate.angle_b = 2.0 * std::numbers::pi * crossings[1] / kRingSamples;
  candidate.contrast = sign_after_first * 0.5 * (high - low);
  if (candidate.angle_b >= std::numbers::pi) {
    // The last interval wraps around: the crossing at pi is the one at 0.
    candidate.angle_b -= std::numbers::pi;
    std::swap(candidate.angle_a, candidate.angle_b);
    candidate.contrast = -candidate.contrast;
  }
  return candidate;
}

}  // namespace

Image<float> toned(ImageView<const float> image) {
  const Range range = percentiles(image, 0.005, 0.995);
  const float span = range.high - range.low;
  Image<float> result(image.width, image.height, 1);
  for (int y = 0; y < image.height; ++y) {
    const float* in = image.row(y);
    float* out = result.row(y);
    for (int x = 0; x < image.width; ++x)
      out[x] = std::isfinite(in[x]) && span > 0.0F
                   ? std::sqrt(std::clamp((in[x] - range.low) / span, 0.0F, 1.0F))
                   : 0.5F;
  }
  return blurred(result, kCandidateBlurPx);
}

std::vector<CornerCandidate> corner_candidates(ImageView<const float> image, int most) {
  const int width = image.width;
  const int height = image.height;
  if (width <= 2 * kMargin || height <= 2 * kMargin) return {};
  // Minus the determinant of the Hessian: positive at saddles.
  Image<float> response(width, height, 1);
  response.fill(0.0F);
  for (int y = 1; y < height - 1; ++y) {
    const float* above = image.row(y - 1);
    const float* here = image.row(y);
    const float* below = image.row(y + 1);
    float* out = response.row(y);
    for (int x = 1; x < width - 1; ++x) {
      const float xx = here[x - 1] - 2.0F * here[x] + here[x + 1];
      const float yy = above[x] - 2.0F * here[x] + below[x];
      const float xy = 0.25F * (above[x - 1] - above[x + 1] - below[x - 1] + below[x + 1]);
      out[x] = xy * xy - xx * yy;
    }
  }
  std::vector<Peak> peaks;
  for (int y = kMargin; y < height - kMargin; ++y) {
    const float* row = response.row(y);
    for (int x = kMargin; x < width - kMargin; ++x) {
      const float r = row[x];
      if (r < kMinResponse || r < row[x - 1] || r <= row[x + 1]) continue;
      bool highest = true;
      for (int dy = -2; dy <= 2 && highest; ++dy) {
        const float* other = response.row(y + dy);
        for (int dx = -2; dx <= 2; ++dx) {
          if (other[x + dx] > r) {
            highest = false;
            break;
          }
        }
      }
      if (highest) peaks.push_back({x, y, r});
    }
  }
  // Ties in place order, so that the result depends on nothing but the image.
  std::stable_sort(peaks.begin(), peaks.end(), [](const Peak& a, const Peak& b) {
    return a.response > b.response;
  });
  if (peaks.size() > kMostPeaks) peaks.resize(kMostPeaks);
  std::vector<CornerCandidate> candidates;
  for (const Peak& peak : peaks) {
    if (static_cast<int>(candidates.size()) >= most) break;
    if (const auto candidate = read_ring(image, peak)) candidates.push_back(*candidate);
  }
  return candidates;
}

}  // namespace trueplate::target::detail
