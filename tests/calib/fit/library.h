#pragma once

#include <opencv2/calib3d.hpp>
#include <vector>

#include "calib/lens/lens.h"
#include "calib/target/view.h"

namespace trueplate::tests {

/// The same least-squares problem solved by OpenCV's calibrateCamera, in this project's plate
/// coordinates.
struct LibraryFit {
  lens::Lens lens;
  double rms_px = 0.0;
  std::vector<double> sigma;  // focal x, y, principal x, y, k1, k2, p1, p2, k3
};

inline LibraryFit library_fit(const std::vector<target::View>& views,
                              const cv::TermCriteria& stop = {
                                  cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 200, 1e-15}) {
  std::vector<std::vector<cv::Point3f>> chart;
  std::vector<std::vector<cv::Point2f>> plate;
  for (const target::View& view : views) {
    chart.emplace_back();
    plate.emplace_back();
    for (const target::Corner& corner : view.corners) {
      chart.back().emplace_back(static_cast<float>(corner.p_chart_mm.x()),
                                static_cast<float>(corner.p_chart_mm.y()),
                                static_cast<float>(corner.p_chart_mm.z()));
      // OpenCV's pixel centres are whole numbers, ours are at + 0.5.
      plate.back().emplace_back(static_cast<float>(corner.p_plate_px.x() - 0.5),
                                static_cast<float>(corner.p_plate_px.y() - 0.5));
    }
  }
  const ImageSize size = views.front().plate_size;
  cv::Mat camera;
  cv::Mat distortion;
  cv::Mat deviations;
  cv::Mat extrinsic_deviations;
  cv::Mat per_view;
  std::vector<cv::Mat> rotations;
  std::vector<cv::Mat> translations;
  LibraryFit result;
  result.rms_px = cv::calibrateCamera(chart,
                                      plate,
                                      {size.width, size.height},
                                      camera,
                                      distortion,
                                      rotations,
                                      translations,
                                      deviations,
                                      extrinsic_deviations,
                                      per_view,
                                      0,
                                      stop);
  result.lens.plate_size = size;
  result.lens.focal_px = {camera.at<double>(0, 0), camera.at<double>(1, 1)};
  result.lens.principal_point_px = {camera.at<double>(0, 2) + 0.5, camera.at<double>(1, 2) + 0.5};
  const auto k = [&](int i) { return distortion.at<double>(i); };
  result.lens.model = lens::RadialTangential({k(0), k(1), k(4), k(2), k(3)});
  for (int i = 0; i < 9; ++i) result.sigma.push_back(deviations.at<double>(i));
  return result;
}

/// Rounds plate positions to 1/4096 px, which a float holds exactly on plates up to 4096 px, so
/// that both see the same numbers. (Not by way of a cast to float: GCC 12 removes the round trip
/// when it vectorises the two coordinates.)
inline void round_for_library(std::vector<target::View>& views) {
  for (target::View& view : views) {
    for (target::Corner& corner : view.corners) {
      corner.p_plate_px = (corner.p_plate_px * 4096.0).array().round() / 4096.0;
    }
  }
}

}  // namespace trueplate::tests
