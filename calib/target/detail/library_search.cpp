#include "calib/target/detail/library_search.h"

#include <algorithm>
#include <cmath>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

#include "calib/target/detail/search_image.h"

namespace trueplate::target::detail {
namespace {

enum class Tone { kLinear, kRoot };
enum class Polarity { kAsIs, kInverted };

cv::Mat to_8bit(ImageView<const float> image, Range range, Tone tone, Polarity polarity) {
  cv::Mat result(image.height, image.width, CV_8UC1);
  const float span = range.high - range.low;
  for (int y = 0; y < image.height; ++y) {
    const float* row = image.row(y);
    auto* out = result.ptr<unsigned char>(y);
    for (int x = 0; x < image.width; ++x) {
      float t = std::isfinite(row[x]) ? std::clamp((row[x] - range.low) / span, 0.0F, 1.0F) : 0.5F;
      if (tone == Tone::kRoot) t = std::sqrt(t);
      if (polarity == Polarity::kInverted) t = 1.0F - t;
      out[x] = static_cast<unsigned char>(std::lround(255.0F * t));
    }
  }
  return result;
}

std::optional<std::vector<Point2d>> found(bool ok,
                                          const std::vector<cv::Point2f>& corners,
                                          cv::Size pattern,
                                          double scale) {
  if (!ok || corners.size() != static_cast<std::size_t>(pattern.area())) return std::nullopt;
  std::vector<Point2d> result;
  for (const cv::Point2f& c : corners) {
    result.emplace_back((c.x + 0.5) * scale, (c.y + 0.5) * scale);
    if (!result.back().allFinite()) return std::nullopt;
  }
  return result;
}

std::optional<std::vector<Point2d>> classic(const cv::Mat& image, cv::Size pattern, double scale) {
  try {
    std::vector<cv::Point2f> corners;
    const bool ok = cv::findChessboardCorners(
        image, pattern, corners, cv::CALIB_CB_ADAPTIVE_THRESH | cv::CALIB_CB_NORMALIZE_IMAGE);
    return found(ok, corners, pattern, scale);
  } catch (const cv::Exception&) {
    return std::nullopt;
  }
}

std::optional<std::vector<Point2d>> sector(const cv::Mat& image,
                                           cv::Size pattern,
                                           int flags,
                                           double scale) {
  try {
    std::vector<cv::Point2f> corners;
    const bool ok = cv::findChessboardCornersSB(image, pattern, corners, flags);
    return found(ok, corners, pattern, scale);
  } catch (const cv::Exception&) {
    return std::nullopt;
  }
}

}  // namespace

std::optional<std::vector<Point2d>> library_search(ImageView<const float> image,
                                                   int columns,
                                                   int rows) {
  const Range range = percentiles(image, 0.01, 0.99);
  if (!(range.high > range.low)) return std::nullopt;
  const cv::Size pattern(columns, rows);
  const cv::Mat plain = to_8bit(image, range, Tone::kLinear, Polarity::kAsIs);
  if (auto corners = classic(plain, pattern, 1.0)) return corners;
  if (auto corners = sector(plain, pattern, cv::CALIB_CB_NORMALIZE_IMAGE, 1.0)) return corners;

  const cv::Mat root = to_8bit(image, range, Tone::kRoot, Polarity::kAsIs);
  if (auto corners = classic(root, pattern, 1.0)) return corners;
  const cv::Mat inverted = to_8bit(image, range, Tone::kLinear, Polarity::kInverted);
  if (auto corners = classic(inverted, pattern, 1.0)) return corners;

  if (std::min(image.width, image.height) >= 320) {
    cv::Mat half;
    cv::resize(plain, half, cv::Size(), 0.5, 0.5, cv::INTER_AREA);
    const double scale = static_cast<double>(plain.cols) / half.cols;
    if (auto corners = classic(half, pattern, scale)) return corners;
    if (auto corners = sector(half, pattern, cv::CALIB_CB_NORMALIZE_IMAGE, scale)) return corners;
  }
  cv::Mat equalised;
  cv::createCLAHE(4.0)->apply(root, equalised);
  return sector(equalised, pattern, cv::CALIB_CB_NORMALIZE_IMAGE | cv::CALIB_CB_EXHAUSTIVE, 1.0);
}

}  // namespace trueplate::target::detail
