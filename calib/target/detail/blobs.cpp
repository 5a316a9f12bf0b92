#include "calib/target/detail/blobs.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <utility>

namespace trueplate::target::detail {
namespace {

// Least difference of dark and light nearby, of a toned image's 0..1; noise is below.
constexpr float kMinContrast = 0.08F;
// How far the threshold lies from the paper towards the darkest (or lightest) pixel nearby. That of
// lines is where they cross, which under a blur is far darker than a line.
constexpr float kMarkLevel = 0.5F;
constexpr float kLineLevel = 0.3F;
constexpr int kMinArea = 7;
constexpr double kMinSolidity = 0.82;  // area / that of the ellipse of the same moments
constexpr double kMostSolidity = 1.08;
constexpr double kMostFlatness = 36.0;  // squared ratio of the axes

// Smallest or largest value within `reach` along a row or column of `count` values `step` apart,
// written in place (van Herk 1992: three comparisons a value whatever the reach).
template <class Better>
void filter_line(float* values,
                 std::ptrdiff_t step,
                 int count,
                 int reach,
                 std::vector<float>& forward,
                 std::vector<float>& backward,
                 Better better) {
  const int window = 2 * reach + 1;
  const int padded = count + 2 * reach;
  forward.resize(static_cast<std::size_t>(padded));
  backward.resize(static_cast<std::size_t>(padded));
  const auto at = [&](int i) { return values[step * std::clamp(i - reach, 0, count - 1)]; };
  for (int i = 0; i < padded; ++i) {
    const auto n = static_cast<std::size_t>(i);
    forward[n] = i % window == 0 ? at(i) : better(forward[n - 1], at(i));
  }
  for (int i = padded - 1; i >= 0; --i) {
    const auto n = static_cast<std::size_t>(i);
    backward[n] =
        i % window == window - 1 || i == padded - 1 ? at(i) : better(backward[n + 1], at(i));
  }
  for (int i = 0; i < count; ++i)
    values[step * i] = better(backward[static_cast<std::size_t>(i)],
                              forward[static_cast<std::size_t>(i + window - 1)]);
}

template <class Better>
Image<float> filtered(ImageView<const float> image, int reach, Better better) {
  Image<float> result(image.width, image.height, 1);
  std::vector<float> forward;
  std::vector<float> backward;
  for (int y = 0; y < image.height; ++y) {
    std::copy(image.row(y), image.row(y) + image.width, result.row(y));
    filter_line(result.row(y), 1, image.width, reach, forward, backward, better);
  }
  for (int x = 0; x < image.width; ++x)
    filter_line(result.data() + x, image.width, image.height, reach, forward, backward, better);
  return result;
}

// 1 where a pixel belongs to a mark.
std::vector<std::uint8_t> mark_mask(ImageView<const float> image, Tone tone, float level) {
  const Image<float> low =
      filtered(image, kBlobReachPx, [](float a, float b) { return std::min(a, b); });
  const Image<float> high =
      filtered(image, kBlobReachPx, [](float a, float b) { return std::max(a, b); });
  std::vector<std::uint8_t> mask;
  mask.reserve(static_cast<std::size_t>(image.width) * static_cast<std::size_t>(image.height));
  for (int y = 0; y < image.height; ++y) {
    const float* in = image.row(y);
    const float* dark = low.row(y);
    const float* light = high.row(y);
    for (int x = 0; x < image.width; ++x) {
      const float range = light[x] - dark[x];
      const bool stands_out =
          tone == Tone::kDark ? in[x] < light[x] - level * range : in[x] > dark[x] + level * range;
      mask.push_back(range >= kMinContrast && stands_out ? 1 : 0);
    }
  }
  return mask;
}

// Sums over the pixels of a region.
struct Sums {
  double count = 0.0;
  double x = 0.0, y = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
  bool at_border = false;
};

bool to_blob(const Sums& sums, Blob& blob) {
  if (sums.at_border || sums.count < kMinArea) return false;
  blob.area_px2 = sums.count;
  blob.p_px = {sums.x / sums.count, sums.y / sums.count};
  // A pixel's own extent adds to the second moments.
  const double xx = sums.xx / sums.count - blob.p_px.x() * blob.p_px.x() + 1.0 / 12.0;
  const double yy = sums.yy / sums.count - blob.p_px.y() * blob.p_px.y() + 1.0 / 12.0;
  const double xy = sums.xy / sums.count - blob.p_px.x() * blob.p_px.y();
  blob.scatter_px2 << xx, xy, xy, yy;
  const double det = xx * yy - xy * xy;
  if (!(det > 0.0)) return false;
  const double trace = xx + yy;
  const double larger = 0.5 * (trace + std::sqrt(std::max(0.0, trace * trace - 4.0 * det)));
  if (larger * larger > kMostFlatness * det) return false;
  const double solidity = sums.count / (4.0 * std::numbers::pi * std::sqrt(det));
  return solidity >= kMinSolidity && solidity <= kMostSolidity;
}

}  // namespace

std::vector<Blob> find_blobs(ImageView<const float> image, Tone tone, Regions regions, int most) {
  std::vector<Blob> blobs;
  if (image.width < 3 || image.height < 3) return blobs;
  std::vector<std::uint8_t> open =
      mark_mask(image, tone, regions == Regions::kMarks ? kMarkLevel : kLineLevel);
  if (regions == Regions::kFields)
    for (std::uint8_t& pixel : open) pixel = pixel == 0 ? 1 : 0;
  const auto width = static_cast<std::size_t>(image.width);
  const auto height = static_cast<std::size_t>(image.height);
  std::vector<std::size_t> stack;
  for (std::size_t start = 0; start < open.size(); ++start) {
    if (open[start] == 0) continue;
    Sums sums;
    open[start] = 0;
    stack.push_back(start);
    while (!stack.empty()) {
      const std::size_t pixel = stack.back();
      stack.pop_back();
      const std::size_t ix = pixel % width;
      const std::size_t iy = pixel / width;
      const double x = static_cast<double>(ix) + 0.5;
      const double y = static_cast<double>(iy) + 0.5;
      sums.count += 1.0;
      sums.x += x;
      sums.y += y;
      sums.xx += x * x;
      sums.xy += x * y;
      sums.yy += y * y;
      const auto visit = [&](bool inside, std::size_t next) {
        if (!inside) {
          sums.at_border = true;
        } else if (open[next] != 0) {
          open[next] = 0;
          stack.push_back(next);
        }
      };
      visit(ix > 0, pixel - 1);
      visit(ix + 1 < width, pixel + 1);
      visit(iy > 0, pixel - width);
      visit(iy + 1 < height, pixel + width);
    }
    Blob blob;
    if (to_blob(sums, blob)) blobs.push_back(blob);
    if (static_cast<int>(blobs.size()) >= most) break;
  }
  return blobs;
}

}  // namespace trueplate::target::detail
