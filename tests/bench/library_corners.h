#pragma once

#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::tests {

using Points = std::vector<Point2d>;

/// The picture as the library's detectors take it.
inline cv::Mat eight_bits(const Image<float>& image) {
  cv::Mat result(image.height(), image.width(), CV_8U);
  for (int y = 0; y < image.height(); ++y)
    for (int x = 0; x < image.width(); ++x)
      result.at<unsigned char>(y, x) = cv::saturate_cast<unsigned char>(255.0F * image.at(x, y));
  return result;
}

/// The library puts pixel centres at whole numbers. None when it found no chart.
inline Points from_library(bool found, const std::vector<cv::Point2f>& corners) {
  Points points;
  if (!found) return points;
  points.reserve(corners.size());
  for (const cv::Point2f& c : corners) points.emplace_back(c.x + 0.5, c.y + 0.5);
  return points;
}

inline void refine_by_window(const cv::Mat& image, std::vector<cv::Point2f>& corners) {
  cv::cornerSubPix(image,
                   corners,
                   {7, 7},
                   {-1, -1},
                   {cv::TermCriteria::EPS | cv::TermCriteria::COUNT, 40, 1e-3});
}

inline Points find_classic(const cv::Mat& image, cv::Size grid) {
  std::vector<cv::Point2f> corners;
  const bool found = cv::findChessboardCorners(
      image, grid, corners, cv::CALIB_CB_ADAPTIVE_THRESH | cv::CALIB_CB_NORMALIZE_IMAGE);
  if (found) refine_by_window(image, corners);
  return from_library(found, corners);
}

inline constexpr int kSectorAccurate = cv::CALIB_CB_EXHAUSTIVE | cv::CALIB_CB_ACCURACY;

inline Points find_sector(const cv::Mat& image, cv::Size grid, int flags) {
  std::vector<cv::Point2f> corners;
  const bool found = cv::findChessboardCornersSB(image, grid, corners, flags);
  return from_library(found, corners);
}

}  // namespace trueplate::tests
