// Finding charts, on one thread.
//   set     18 frames of 2048x1080 that all show the 13x8 inner corners of a checkerboard: how many
//           are found, how well, how fast, beside the library's detectors (OpenCV 4.6)
//   kinds   each kind of chart at 1920x1080 and 4096x2160, its number of points not given to ours;
//           dots beside the library's circle grid detector, which is given theirs
// All answers are compared with the rendered truth before anything is timed.

#include <array>
#include <cmath>
#include <cstdio>
#include <functional>
#include <opencv2/features2d.hpp>
#include <string>
#include <vector>

#include "calib/target/detect.h"
#include "tests/bench/compare.h"
#include "tests/bench/library_corners.h"
#include "tests/support/chart_render.h"

using namespace trueplate;
using namespace trueplate::tests;

namespace {

struct Frame {
  ChartScene scene;
  RenderedChart chart;
  cv::Mat image;  // 8 bits
};

Frame make_frame(const ChartScene& scene) {
  Frame frame{scene, render_chart(scene), {}};
  frame.image = eight_bits(frame.chart.image);
  return frame;
}

constexpr int kColumns = 13;
constexpr int kRows = 8;
const cv::Size kGrid(kColumns, kRows);

std::vector<Frame> make_set() {
  std::vector<Frame> frames;
  for (int i = 0; i < 18; ++i) {
    const double turn = 2.0 * 3.14159265358979 * i / 18.0;
    frames.push_back(make_frame(
        {.width = 2048,
         .height = 1080,
         .columns = kColumns,
         .rows = kRows,
         .pose = {.focal_px = 1900.0,
                  .middle_px = {1024.0 + 240.0 * std::cos(turn), 540.0 + 90.0 * std::sin(turn)},
                  .square_px = 74.0 + 12.0 * (i % 3),
                  .tilt_x_deg = 30.0 * std::sin(2.0 * turn),
                  .tilt_y_deg = 30.0 * std::cos(turn),
                  .roll_deg = 10.0 * std::sin(3.0 * turn)},
         .k1 = -0.2,
         .blur_px = 0.8 + 0.1 * (i % 5),
         .vignetting = 0.4,
         .noise = 2.0 / 255.0,
         .bits = 8,
         .seed = static_cast<std::uint32_t>(i + 1),
         .samples = 2}));
  }
  return frames;
}

struct Kind {
  const char* name;
  target::ChartKind chart;
  Pattern pattern;
  double mark;
  int columns, rows;
  double pitch_px;  // at 1920x1080
};

constexpr std::array<Kind, 5> kKinds = {{
    {"checkerboard", target::ChartKind::kCheckerboard, Pattern::kCheckerboard, 0.0, 19, 10, 86.0},
    {"coded", target::ChartKind::kCoded, Pattern::kCoded, 0.0, 19, 10, 86.0},
    {"lines", target::ChartKind::kLines, Pattern::kLines, 0.08, 19, 10, 86.0},
    {"dots", target::ChartKind::kDots, Pattern::kDots, 0.45, 19, 10, 86.0},
    {"staggered", target::ChartKind::kDotsStaggered, Pattern::kDotsStaggered, 0.4, 14, 15, 110.0},
}};

Frame make_kind(const Kind& kind, int width, int height) {
  const double unit = width / 1920.0;
  return make_frame({.width = width,
                     .height = height,
                     .pattern = kind.pattern,
                     .columns = kind.columns,
                     .rows = kind.rows,
                     .mark = kind.mark,
                     .pose = {.focal_px = 1800.0 * unit,
                              .middle_px = {0.49 * width, 0.51 * height},
                              .square_px = kind.pitch_px * unit,
                              .tilt_x_deg = 9.0,
                              .tilt_y_deg = -11.0,
                              .roll_deg = 4.0},
                     .k1 = -0.1,
                     .blur_px = 1.0,
                     .noise = 2.0 / 255.0,
                     .bits = 8,
                     .samples = 2});
}

Points find_ours(const Frame& frame, const target::Chart& chart) {
  Points points;
  if (const auto found = target::detect_chart(frame.chart.image.view(), chart))
    for (const target::Corner& c : found->corners) points.push_back(c.p_plate_px);
  return points;
}

Points find_circles(const Frame& frame, bool staggered) {
  // The detector of blobs with limits that let these dots through; its defaults stop at 5000 px.
  cv::SimpleBlobDetector::Params blobs;
  blobs.minArea = 50.0F;
  blobs.maxArea = 50000.0F;
  blobs.minDistBetweenBlobs = 5.0F;
  std::vector<cv::Point2f> centres;
  const bool found =
      cv::findCirclesGrid(frame.image,
                          {frame.scene.columns, frame.scene.rows},
                          centres,
                          (staggered ? cv::CALIB_CB_ASYMMETRIC_GRID : cv::CALIB_CB_SYMMETRIC_GRID) |
                              cv::CALIB_CB_CLUSTERING,
                          cv::SimpleBlobDetector::create(blobs));
  return from_library(found, centres);
}

struct Error {
  double sum2 = 0.0;
  double worst = 0.0;
  std::size_t count = 0;
};

Error error_of(const Points& points, const Frame& frame) {
  Error error;
  for (const Point2d& p : points) {
    double nearest = HUGE_VAL;
    for (const Point2d& t : frame.chart.corners_px) nearest = std::min(nearest, (t - p).norm());
    error.sum2 += nearest * nearest;
    error.worst = std::max(error.worst, nearest);
    ++error.count;
  }
  return error;
}

struct SetWay {
  std::string who;
  std::function<Points(const Frame&)> run;
};

const std::vector<SetWay> kSetWays = {
    {"ours",
     [](const Frame& f) {
       return find_ours(f, {.pitch_mm = 1.0, .columns = kColumns, .rows = kRows});
     }},
    {"ours, grid not given", [](const Frame& f) { return find_ours(f, {.pitch_mm = 1.0}); }},
    {"classic + window", [](const Frame& f) { return find_classic(f.image, kGrid); }},
    {"sector", [](const Frame& f) { return find_sector(f.image, kGrid, 0); }},
    {"sector accurate",
     [](const Frame& f) { return find_sector(f.image, kGrid, kSectorAccurate); }},
};

constexpr double kOurTolerancePx = 0.15;

bool verify_set(const std::vector<Frame>& set) {
  bool good = true;
  for (const SetWay& way : kSetWays) {
    Error all;
    int frames = 0;
    for (const Frame& frame : set) {
      const Error error = error_of(way.run(frame), frame);
      if (error.count == frame.chart.corners_px.size()) ++frames;
      all.sum2 += error.sum2;
      all.worst = std::max(all.worst, error.worst);
      all.count += error.count;
    }
    std::printf(
        "set 2048x1080  %-22s whole chart in %2d of %zu frames, rms %.4f px, worst %.3f px\n",
        way.who.c_str(),
        frames,
        set.size(),
        std::sqrt(all.sum2 / static_cast<double>(std::max<std::size_t>(1, all.count))),
        all.worst);
    if (way.who.starts_with("ours"))
      good = good && frames == static_cast<int>(set.size()) && all.worst <= kOurTolerancePx;
  }
  return good;
}

struct KindCase {
  const Kind* kind;
  std::string name;
  Frame frame;

  [[nodiscard]] Points ours() const {
    return find_ours(frame, {.kind = kind->chart, .pitch_mm = 1.0});
  }
  [[nodiscard]] bool has_rival() const {
    return kind->pattern == Pattern::kDots || kind->pattern == Pattern::kDotsStaggered;
  }
  [[nodiscard]] Points rival() const {
    return find_circles(frame, kind->pattern == Pattern::kDotsStaggered);
  }
};

bool verify_kind(const KindCase& item) {
  const auto print = [&](const char* who, const Points& points) {
    const Error error = error_of(points, item.frame);
    std::printf("%-22s %-10s %4zu of %zu points, rms %.4f px, worst %.3f px\n",
                item.name.c_str(),
                who,
                points.size(),
                item.frame.chart.corners_px.size(),
                std::sqrt(error.sum2 / static_cast<double>(std::max<std::size_t>(1, error.count))),
                error.worst);
    return error;
  };
  if (item.has_rival()) print("circles", item.rival());
  const Error ours = print("ours", item.ours());
  return ours.worst <= kOurTolerancePx &&
         static_cast<double>(ours.count) >=
             0.99 * static_cast<double>(item.frame.chart.corners_px.size());
}

template <class Body>
void time(const std::string& name, const Body& body) {
  benchmark::RegisterBenchmark(name.c_str(),
                               [body](benchmark::State& state) {
                                 for (auto _ : state) body();
                               })
      ->Unit(benchmark::kMillisecond)
      ->UseRealTime()
      ->MeasureProcessCPUTime()
      ->Iterations(1)
      ->Repetitions(3);
}

}  // namespace

int main(int argc, char** argv) {
  cv::setNumThreads(1);
  const std::vector<Frame> set = make_set();
  std::vector<KindCase> kinds;
  for (const Kind& kind : kKinds) {
    kinds.push_back({&kind, std::string(kind.name) + " HD", make_kind(kind, 1920, 1080)});
    kinds.push_back({&kind, std::string(kind.name) + " 4K", make_kind(kind, 4096, 2160)});
  }
  for (const SetWay& way : kSetWays)
    time("18 frames 2048x1080/" + way.who + "/1 thread", [&set, &way] {
      for (const Frame& frame : set) benchmark::DoNotOptimize(way.run(frame));
    });
  for (const KindCase& item : kinds) {
    time(item.name + "/ours/1 thread", [&item] { benchmark::DoNotOptimize(item.ours()); });
    if (item.has_rival())
      time(item.name + "/circles/1 thread", [&item] { benchmark::DoNotOptimize(item.rival()); });
  }
  return run_comparison(argc, argv, [&] {
    bool good = verify_set(set);
    for (const KindCase& item : kinds) good = verify_kind(item) && good;
    return good;
  });
}
