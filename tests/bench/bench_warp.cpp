// Warping a 4096x2160 RGBA float frame by a map, against cv::remap with precomputed float maps.
// Both write into memory that exists already. cv::remap snaps positions to 1/32 pixel (its
// INTER_BITS = 5) and takes 8 x 8 pixels for Lanczos where ours takes 6 x 6; the figure per pixel
// under the kernel is printed as well.

#include <cmath>
#include <cstdio>
#include <opencv2/imgproc.hpp>
#include <string>
#include <utility>
#include <vector>

#include "tests/bench/compare.h"
#include "warp/passes.h"
#include "warp/resample.h"
#include "warp/st_map.h"

using namespace trueplate;
using namespace trueplate::warp;

namespace {

constexpr int kWidth = 4096;
constexpr int kHeight = 2160;
constexpr int kChannels = 4;

struct Method {
  Filter filter;
  int theirs;
};
constexpr Method kMethods[] = {{Filter::kBilinear, cv::INTER_LINEAR},
                               {Filter::kCubic, cv::INTER_CUBIC},
                               {Filter::kLanczos, cv::INTER_LANCZOS4}};

struct Setup {
  lens::Lens lens;
  Image<float> source{kWidth, kHeight, kChannels};
  Image<float> output{kWidth, kHeight, kChannels};
  StMap undistort, redistort;
  cv::Mat their_source, their_output, map_x, map_y;
  std::vector<float> copy_from, copy_to;

  [[nodiscard]] SourcePicture picture() const {
    const Window window{0, 0, kWidth, kHeight};
    return {.pixels = source.view(), .windows = {window, window}};
  }
};

Setup make_setup() {
  Setup s;
  s.lens.plate_size = {kWidth, kHeight};
  s.lens.focal_px = {3800.0, 3790.0};
  s.lens.principal_point_px = {2079.7, 1057.6};
  s.lens.model = lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005});
  for (int j = 0; j < kHeight; ++j) {
    for (int i = 0; i < kWidth; ++i) {
      for (int c = 0; c < kChannels; ++c) {
        s.source.at(i, j, c) =
            static_cast<float>(std::sin(0.02 * i + c) * std::cos(0.03 * j - c) + 1.0);
      }
    }
  }
  s.undistort = *make_undistort_map(s.lens);
  s.redistort = *make_redistort_map(s.lens);
  s.their_source = cv::Mat(kHeight, kWidth, CV_32FC4, s.source.data());
  s.map_x.create(kHeight, kWidth, CV_32FC1);
  s.map_y.create(kHeight, kWidth, CV_32FC1);
  for (int j = 0; j < kHeight; ++j) {
    for (int i = 0; i < kWidth; ++i) {
      const Point2d p = position_from_st({s.undistort.st.at(i, j, 0), s.undistort.st.at(i, j, 1)},
                                         {kWidth, kHeight},
                                         s.undistort.t_origin);
      s.map_x.at<float>(j, i) = static_cast<float>(p.x() - 0.5);
      s.map_y.at<float>(j, i) = static_cast<float>(p.y() - 0.5);
    }
  }
  s.copy_from.assign(s.source.size(), 1.0F);
  s.copy_to.assign(s.source.size(), 0.0F);
  return s;
}

void warp_ours(Setup& s, Filter filter, int threads) {
  (void)resample(s.picture(), s.undistort, {.filter = filter, .threads = threads}, s.output.view());
}

void warp_ours_from_lens(Setup& s, MapDirection direction, Filter filter, int threads) {
  (void)warp_frame(
      s.picture(), s.lens, direction, {}, {.filter = filter, .threads = threads}, s.output.view());
}

void warp_library(Setup& s, int method, int threads) {
  cv::setNumThreads(threads);
  cv::remap(s.their_source, s.their_output, s.map_x, s.map_y, method, cv::BORDER_CONSTANT);
}

constexpr int kAll[] = {0, 1, 2, 3};
constexpr MotionChannels kVectors[] = {{0, 1}, {2, 3}};

void nearest_ours(Setup& s, int threads) {
  (void)look_up_nearest(s.picture(), s.undistort, kAll, {.threads = threads}, s.output.view());
}

void surface_ours(Setup& s, int threads) {
  (void)look_up_surface(s.picture(), s.undistort, kAll, {.threads = threads}, s.output.view());
}

void motion_ours(Setup& s, int threads) {
  (void)look_up_motion(
      s.picture(), s.undistort, kVectors, MotionY::kUp, {.threads = threads}, s.output.view());
}

/// The nearest pixels are the library's but where a position lies on the line between two.
bool verify_nearest(Setup& s) {
  nearest_ours(s, 0);
  warp_library(s, cv::INTER_NEAREST, 0);
  long num_other = 0;
  for (int j = 40; j < kHeight - 40; ++j) {
    for (int i = 40; i < kWidth - 40; ++i) {
      num_other += s.output.at(i, j, 0) == s.their_output.at<cv::Vec4f>(j, i)[0] ? 0 : 1;
    }
  }
  std::printf("nearest: %ld of %d pixels are others than those of cv::remap\n",
              num_other,
              kWidth * kHeight);
  return num_other < kWidth * kHeight / 1000;
}

/// Away from the edge the two differ by the library's snapping: 1/64 px in x and y on a picture
/// whose steepest slope is 0.03 per pixel; the cubic also because the library's parameter is -0.75
/// (ours -0.5), Lanczos because of the different kernel.
bool verify(Setup& s) {
  bool good = verify_nearest(s);
  for (const Method& method : kMethods) {
    warp_ours(s, method.filter, 0);
    warp_library(s, method.theirs, 0);
    double worst = 0.0;
    for (int j = 40; j < kHeight - 40; ++j) {
      for (int i = 40; i < kWidth - 40; ++i) {
        for (int c = 0; c < kChannels; ++c) {
          worst = std::max<double>(
              worst, std::abs(s.output.at(i, j, c) - s.their_output.at<cv::Vec4f>(j, i)[c]));
        }
      }
    }
    const double bound = method.filter == Filter::kBilinear ? 1e-3 : 5e-3;
    std::printf("%s: within %.2g of cv::remap, picture 0..2 (bound %g)\n",
                std::string(to_text(method.filter)).c_str(),
                worst,
                bound);
    good = good && worst <= bound;
  }
  return good;
}

}  // namespace

int main(int argc, char** argv) {
  Setup s = make_setup();
  using tests::register_comparison;
  for (const Method& method : kMethods) {
    const std::string what(to_text(method.filter));
    register_comparison(what, "ours", [&](int threads) { warp_ours(s, method.filter, threads); });
    register_comparison(
        what, "remap", [&](int threads) { warp_library(s, method.theirs, threads); });
    register_comparison(what, "ours, undistort without map", [&](int threads) {
      warp_ours_from_lens(s, MapDirection::kUndistort, method.filter, threads);
    });
    register_comparison(what, "ours, redistort without map", [&](int threads) {
      warp_ours_from_lens(s, MapDirection::kRedistort, method.filter, threads);
    });
    // The least any warp could take that reads and writes 142 MB.
    register_comparison(what, "copy of the same bytes", [&](int threads) {
      tests::copy_floats(s.copy_from, s.copy_to, threads);
    });
  }
  // Without a counterpart in the library, but for nearest.
  register_comparison("area", "ours", [&](int threads) { warp_ours(s, Filter::kArea, threads); });
  register_comparison("nearest", "ours", [&](int threads) { nearest_ours(s, threads); });
  register_comparison(
      "nearest", "remap", [&](int threads) { warp_library(s, cv::INTER_NEAREST, threads); });
  register_comparison("surface of 4", "ours", [&](int threads) { surface_ours(s, threads); });
  register_comparison("2 motion vectors", "ours", [&](int threads) { motion_ours(s, threads); });
  const auto per_tap = [](const tests::Comparison& done) {
    // The library's linear and cubic kernels are as large as ours, its Lanczos is 8 x 8.
    constexpr double kPixels = static_cast<double>(kWidth) * kHeight;
    std::printf("\nprocessor time per output pixel and pixel under the kernel, one thread\n");
    for (const Method& method : kMethods) {
      const std::string what(to_text(method.filter));
      const int ours = kernel_width(method.filter);
      const int theirs = method.filter == Filter::kLanczos ? 8 : ours;
      std::printf("%-10s ours %.3f ns, remap %.3f ns\n",
                  what.c_str(),
                  1e6 * done.cpu_ms(what + "/ours/1 thread") / kPixels / (ours * ours),
                  1e6 * done.cpu_ms(what + "/remap/1 thread") / kPixels / (theirs * theirs));
    }
  };
  return tests::run_comparison(
      argc, argv, [&] { return verify(s); }, per_tap);
}
