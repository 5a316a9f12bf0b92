// Finding a checkerboard and measuring its corners, on one thread, against the library's ways: the
// classic detector with cornerSubPix (half window 7), and findChessboardCornersSB with default and
// with its most accurate flags (OpenCV 4.6). "find" is the whole job on a frame; "refine" starts
// from corners rounded to whole pixels. All answers are compared with the rendered truth first.

#include <cmath>
#include <cstdio>
#include <functional>
#include <string>
#include <vector>

#include "calib/target/checkerboard.h"
#include "calib/target/saddle.h"
#include "tests/bench/compare.h"
#include "tests/bench/library_corners.h"
#include "tests/support/chart_render.h"

using namespace trueplate;
using namespace trueplate::tests;

namespace {

constexpr int kColumns = 9;
constexpr int kRows = 6;
const cv::Size kGrid(kColumns, kRows);
constexpr double kLibraryTolerancePx = 0.5;
constexpr double kOurTolerancePx = 0.1;

struct Setup {
  std::string name;
  RenderedChart chart;
  cv::Mat image;
  std::vector<target::SaddleGuess> guesses;
  std::vector<cv::Point2f> starts;
};

Setup make_setup(const std::string& name, int width, int height) {
  const double unit = width / 640.0;
  Setup s;
  s.name = name;
  s.chart = render_chart({.width = width,
                          .height = height,
                          .columns = kColumns,
                          .rows = kRows,
                          .pose = {.focal_px = 700.0 * unit,
                                   .middle_px = {0.49 * width, 0.52 * height},
                                   .square_px = 38.0 * unit,
                                   .tilt_x_deg = 14.0,
                                   .tilt_y_deg = -12.0,
                                   .roll_deg = 9.0},
                          .k1 = -0.1,
                          .blur_px = 0.9,
                          .noise = 2.0 / 255.0,
                          .bits = 8,
                          .samples = 2});
  s.image = eight_bits(s.chart.image);
  for (int row = 0; row < kRows; ++row) {
    for (int column = 0; column < kColumns; ++column) {
      const auto at = [&](int c, int r) {
        return s.chart.corners_px[static_cast<std::size_t>(r * kColumns + c)];
      };
      const Point2d p = at(column, row);
      const Point2d start(std::round(p.x() - 0.5), std::round(p.y() - 0.5));
      const Point2d u = column + 1 < kColumns ? Point2d(at(column + 1, row) - p)
                                              : Point2d(p - at(column - 1, row));
      const Point2d v =
          row + 1 < kRows ? Point2d(at(column, row + 1) - p) : Point2d(p - at(column, row - 1));
      s.starts.emplace_back(static_cast<float>(start.x()), static_cast<float>(start.y()));
      s.guesses.push_back(
          {.p_px = start + Point2d(0.5, 0.5), .step_u_px = u, .step_v_px = v, .blur_px = 1.0});
    }
  }
  return s;
}

Points find_ours(const Setup& s) {
  Points points;
  const auto corners = target::detect_checkerboard(
      s.chart.image.view(), {.pitch_mm = 1.0, .columns = kColumns, .rows = kRows});
  if (corners)
    for (const target::Corner& c : corners->corners) points.push_back(c.p_plate_px);
  return points;
}

Points refine_ours(const Setup& s) {
  Points points;
  for (const target::SaddleGuess& guess : s.guesses)
    if (const auto saddle = target::fit_saddle(s.chart.image.view(), guess))
      points.push_back(saddle->p_px);
  return points;
}

Points refine_window(const Setup& s) {
  std::vector<cv::Point2f> corners = s.starts;
  refine_by_window(s.image, corners);
  return from_library(true, corners);
}

struct Way {
  std::string what, who;
  std::function<Points(const Setup&)> run;
  double tolerance_px;
};

const std::vector<Way> kWays = {
    {"find", "ours", find_ours, kOurTolerancePx},
    {"find",
     "classic + window",
     [](const Setup& s) { return find_classic(s.image, kGrid); },
     kLibraryTolerancePx},
    {"find",
     "sector",
     [](const Setup& s) { return find_sector(s.image, kGrid, 0); },
     kLibraryTolerancePx},
    {"find",
     "sector accurate",
     [](const Setup& s) { return find_sector(s.image, kGrid, kSectorAccurate); },
     kLibraryTolerancePx},
    {"refine 54 corners", "ours", refine_ours, kOurTolerancePx},
    {"refine 54 corners", "window", refine_window, kLibraryTolerancePx},
};

bool verify(const std::vector<Setup>& setups) {
  bool good = true;
  for (const Setup& s : setups) {
    for (const Way& way : kWays) {
      const Points points = way.run(s);
      double sum2 = 0.0;
      double worst = points.size() == s.chart.corners_px.size() ? 0.0 : HUGE_VAL;
      for (const Point2d& p : points) {
        double nearest = HUGE_VAL;
        for (const Point2d& t : s.chart.corners_px) nearest = std::min(nearest, (t - p).norm());
        sum2 += nearest * nearest;
        worst = std::max(worst, nearest);
      }
      std::printf("%-6s %-18s %-18s %2zu corners, rms %.4f px, worst %.3f px\n",
                  s.name.c_str(),
                  way.what.c_str(),
                  way.who.c_str(),
                  points.size(),
                  std::sqrt(sum2 / static_cast<double>(points.size())),
                  worst);
      good = good && worst <= way.tolerance_px;
    }
  }
  return good;
}

}  // namespace

int main(int argc, char** argv) {
  cv::setNumThreads(1);
  std::vector<Setup> setups;
  setups.push_back(make_setup("VGA", 640, 480));
  setups.push_back(make_setup("HD", 1920, 1080));
  setups.push_back(make_setup("4K", 4096, 2160));
  for (const Setup& setup : setups) {
    for (const Way& way : kWays) {
      benchmark::RegisterBenchmark(
          (way.what + " " + setup.name + "/" + way.who + "/1 thread").c_str(),
          [&setup, &way](benchmark::State& state) {
            for (auto _ : state) benchmark::DoNotOptimize(way.run(setup));
          })
          ->Unit(benchmark::kMillisecond)
          ->UseRealTime()
          ->MeasureProcessCPUTime()
          ->MinTime(0.02)
          ->Repetitions(3);
    }
  }
  return run_comparison(argc, argv, [&] { return verify(setups); });
}
