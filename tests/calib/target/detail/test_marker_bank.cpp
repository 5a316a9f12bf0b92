// Markers by correlation, against OpenCV's dictionary itself.

#include "calib/target/detail/marker_bank.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/aruco.hpp>
#include <opencv2/imgproc.hpp>

#include "calib/target/detail/marker_reader.h"

using trueplate::target::kCodedMarkerModules;
using trueplate::target::kCodedNumIds;
using namespace trueplate::target::detail;

namespace {

// A marker in the middle of a light square between dark ones, kPx pixels a module.
constexpr int kPx = 8;
cv::Mat square_with_marker(int id) {
  const auto dictionary = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_1000);
  cv::Mat picture(20 * kPx, 20 * kPx, CV_8U, cv::Scalar(0));
  picture(cv::Rect(5 * kPx, 5 * kPx, 10 * kPx, 10 * kPx)).setTo(255);
  cv::Mat marker;
  dictionary->drawMarker(id, kCodedMarkerModules * kPx, marker, 1);
  marker.copyTo(picture(cv::Rect(7 * kPx, 7 * kPx, marker.cols, marker.rows)));
  return picture;
}

// Light 1, dark -1.
MarkerSamples samples_of(const cv::Mat& picture) {
  MarkerSamples samples;
  for (int row = 0; row < kCodedMarkerModules; ++row)
    for (int column = 0; column < kCodedMarkerModules; ++column) {
      const cv::Rect middle((7 + column) * kPx + 1, (7 + row) * kPx + 1, kPx - 2, kPx - 2);
      samples(kCodedMarkerModules * row + column) =
          static_cast<float>(cv::mean(picture(middle))[0] / 127.5 - 1.0);
    }
  return samples;
}

bool is_read(const MarkerMatch& match) {
  return match.misfit <= kMaxMisfit && match.second_misfit >= kMinMisfitRatio * match.misfit;
}

}  // namespace

TEST_CASE("every marker is told from all others in every turn, sharp and blurred") {
  MarkerBank bank;
  for (const double blur : {0.0, 0.5, 1.0}) {
    CAPTURE(blur);
    int right = 0;
    double worst_misfit = 0.0;
    double least_second = 1.0;
    for (int id = 0; id < kCodedNumIds; ++id) {
      cv::Mat picture = square_with_marker(id);
      if (blur > 0.0) cv::GaussianBlur(picture, picture, {}, blur * kPx);
      for (int turns = 0; turns < 4; ++turns) {
        const auto match = bank.match(samples_of(picture), blur, blur);
        REQUIRE(match);
        if (match->id == id && match->turns == turns && is_read(*match)) ++right;
        worst_misfit = std::max(worst_misfit, match->misfit);
        least_second = std::min(least_second, match->second_misfit);
        cv::rotate(picture, picture, cv::ROTATE_90_CLOCKWISE);
      }
    }
    MESSAGE("misfit up to " << worst_misfit << ", of the next best from " << least_second);
    CHECK(right == 4 * kCodedNumIds);
  }
}

TEST_CASE("neither level nor contrast matter; without either there is no match") {
  MarkerBank bank;
  const MarkerSamples samples = samples_of(square_with_marker(321));
  const MarkerSamples hdr = 1e4F + 37.0F * samples.array();
  REQUIRE(bank.match(hdr, 0.1, 0.1));
  CHECK(bank.match(hdr, 0.1, 0.1)->id == 321);
  CHECK_FALSE(bank.match(MarkerSamples::Constant(5.0F), 0.1, 0.1));
  CHECK_FALSE(bank.match(MarkerSamples::Constant(NAN), 0.1, 0.1));
  CHECK_FALSE(bank.match(samples, 2.0, 0.1));
  CHECK_FALSE(bank.match(samples, 0.1, std::nan("")));
}
