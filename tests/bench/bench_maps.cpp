// Making ST-maps at 4096x2160: against cv::initUndistortRectifyMap, and against cv::undistortPoints
// run to convergence on every pixel. Both sides write into memory that exists already.

#include <cmath>
#include <cstdio>
#include <opencv2/calib3d.hpp>
#include <vector>

#include "calib/lens/rows.h"
#include "tests/bench/compare.h"
#include "warp/st_map.h"

using namespace trueplate;
using namespace trueplate::warp;

namespace {

constexpr int kWidth = 4096;
constexpr int kHeight = 2160;

struct Setup {
  lens::Lens lens;
  cv::Matx33d camera;
  cv::Vec<double, 5> coefficients;
  cv::Mat map_x, map_y;             // of initUndistortRectifyMap
  std::vector<cv::Point2d> pixels;  // all centres of the plate's pixels
  std::vector<cv::Point2d> ideal;   // of undistortPoints
  StMap undistort, redistort;
  std::vector<float> copy_from, copy_to;
};

Setup make_setup() {
  Setup s;
  s.lens.plate_size = {kWidth, kHeight};
  s.lens.focal_px = {3800.0, 3790.0};
  s.lens.principal_point_px = {2079.7, 1057.6};
  s.lens.model = lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005});
  // OpenCV counts from the centre of the first pixel.
  s.camera = {3800.0, 0, 2079.2, 0, 3790.0, 1057.1, 0, 0, 1};
  s.coefficients = {-0.12, 0.03, 0.001, -0.0005, -0.004};
  for (int j = 0; j < kHeight; ++j) {
    for (int i = 0; i < kWidth; ++i) s.pixels.emplace_back(i, j);
  }
  s.copy_from.assign(std::size_t{2} * kWidth * kHeight, 1.0F);
  s.copy_to.assign(s.copy_from.size(), 0.0F);
  return s;
}

void make_ours(StMap& map,
               Result<StMap> (*make)(const lens::Lens&, const MapOptions&, StMap),
               const lens::Lens& lens,
               int threads) {
  Result<StMap> made = make(lens, {.threads = threads}, std::move(map));
  map = std::move(*made);
}

void make_library_undistort(Setup& s, int threads) {
  cv::setNumThreads(threads);
  cv::initUndistortRectifyMap(s.camera,
                              s.coefficients,
                              cv::noArray(),
                              s.camera,
                              {kWidth, kHeight},
                              CV_32FC1,
                              s.map_x,
                              s.map_y);
}

void make_library_redistort(Setup& s, int threads) {
  cv::setNumThreads(threads);
  // Without the matrix P the points stay on the plane z = 1; the criteria make it converge.
  cv::undistortPoints(s.pixels,
                      s.ideal,
                      s.camera,
                      s.coefficients,
                      cv::noArray(),
                      cv::noArray(),
                      cv::TermCriteria(cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 100, 1e-9));
}

bool verify(Setup& s) {
  make_ours(s.undistort, make_undistort_map, s.lens, 0);
  make_ours(s.redistort, make_redistort_map, s.lens, 0);
  make_library_undistort(s, 0);
  make_library_redistort(s, 0);
  double undistort_px = 0.0;
  double redistort_px = 0.0;
  for (int j = 0; j < kHeight; ++j) {
    for (int i = 0; i < kWidth; ++i) {
      const auto position = [&](const StMap& map) {
        return position_from_st(
            {map.st.at(i, j, 0), map.st.at(i, j, 1)}, {kWidth, kHeight}, map.t_origin);
      };
      const Point2d library(s.map_x.at<float>(j, i) + 0.5, s.map_y.at<float>(j, i) + 0.5);
      undistort_px = std::max(undistort_px, (position(s.undistort) - library).norm());
      const cv::Point2d& ideal = s.ideal[static_cast<std::size_t>(j) * kWidth + i];
      const Point2d inverse = lens::px_from_ideal(s.lens, {ideal.x, ideal.y});
      redistort_px = std::max(redistort_px, (position(s.redistort) - inverse).norm());
    }
  }
  std::printf(
      "%dx%d: undistort map within %.2g px of cv::initUndistortRectifyMap, redistort map "
      "within %.2g px of cv::undistortPoints\n",
      kWidth,
      kHeight,
      undistort_px,
      redistort_px);
  return undistort_px <= 5e-4 && redistort_px <= 5e-4;
}

}  // namespace

int main(int argc, char** argv) {
  Setup s = make_setup();
  using tests::register_comparison;
  register_comparison("undistort map", "ours", [&](int threads) {
    make_ours(s.undistort, make_undistort_map, s.lens, threads);
  });
  register_comparison("undistort map", "initUndistortRectifyMap", [&](int threads) {
    make_library_undistort(s, threads);
  });
  // The least any map maker could take: writing the same 71 MB, from memory of the same size.
  // The least any map maker could take that writes 71 MB: a copy of as much.
  register_comparison("undistort map", "copy of the same bytes", [&](int threads) {
    tests::copy_floats(s.copy_from, s.copy_to, threads);
  });
  register_comparison("redistort map", "ours", [&](int threads) {
    make_ours(s.redistort, make_redistort_map, s.lens, threads);
  });
  // It takes seconds and runs on one thread whatever it is allowed.
  register_comparison("redistort map",
                      "undistortPoints",
                      [&](int threads) { make_library_redistort(s, threads); },
                      {.repetitions = 3, .most_threads = 1});
  return tests::run_comparison(argc, argv, [&] { return verify(s); });
}
