#include "calib/target/coded_markers.h"

#include <opencv2/aruco.hpp>

namespace trueplate::target {

std::vector<MarkerModules> coded_markers(int count) {
  const cv::Ptr<cv::aruco::Dictionary> dictionary =
      cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_1000);
  std::vector<MarkerModules> markers(static_cast<std::size_t>(count));
  for (int id = 0; id < count; ++id) {
    cv::Mat picture;  // one pixel a module
    dictionary->drawMarker(id, kCodedMarkerModules, picture, 1);
    for (int y = 0; y < kCodedMarkerModules; ++y) {
      for (int x = 0; x < kCodedMarkerModules; ++x) {
        markers[static_cast<std::size_t>(id)][static_cast<std::size_t>(y)]
               [static_cast<std::size_t>(x)] = picture.at<unsigned char>(y, x) < 128;
      }
    }
  }
  return markers;
}

}  // namespace trueplate::target
