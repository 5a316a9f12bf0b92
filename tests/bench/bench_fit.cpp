// Fitting a lens to n views of 54 corners: fit_lens against cv::calibrateCamera on identical
// corners, one thread each, plain least squares.
//
// First both optima are compared, then both are timed in the same run. The library's cost grows
// with the third power of the views (18 s at 200 and minutes at 400), so its large sizes run once,
// only when asked for:
//     bench_fit              20, 50 and 100 views against the library; ours alone at 200 and 400
//     bench_fit --large      also the library at 200 and 400 views
// Other arguments are Google Benchmark's.
//
// Then both at up to 5,000 points a view, with the memory they took; and, without the library, ours
// as the program runs (rejection, chart fitted, held-out folds) from 10 to 2,000 views and at 5,000
// points a view, once each, with the memory it took.

#include <benchmark/benchmark.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <fstream>
#include <functional>
#include <limits>
#include <map>
#include <opencv2/calib3d.hpp>
#include <opencv2/core/utility.hpp>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/fit/fit.h"
#include "tests/calib/fit/library.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

namespace {

constexpr int kSizes[] = {20, 50, 100, 200, 400};
constexpr int kLargestForLibrary = 100;
constexpr int kRepetitions = 5;

const std::vector<target::View>& views_of(int num_views) {
  static std::map<int, std::vector<target::View>> cache;
  std::vector<target::View>& views = cache[num_views];
  if (views.empty()) {
    views = tests::synthetic_views(tests::synthetic_lens(), {.num_views = num_views}).views;
    tests::round_for_library(views);
  }
  return views;
}

/// Peak resident memory since the last reset, in MB; of Linux (proc(5): VmHWM, clear_refs).
double peak_mb() {
  std::ifstream status("/proc/self/status");
  std::string word;
  while (status >> word) {
    double kb = 0.0;
    if (word == "VmHWM:" && status >> kb) return kb / 1024.0;
  }
  return std::nan("");
}
void reset_peak() { std::ofstream("/proc/self/clear_refs") << "5"; }

/// What the comparison times: nothing but the least-squares fit and its covariance.
const fit::FitOptions& plain() {
  static const fit::FitOptions options{.rejection = fit::Rejection::kOff,
                                       .chart_shape = fit::ChartShape::kFlat,
                                       .held_out_folds = 0,
                                       .threads = 1};
  return options;
}

/// The library's own default, and a stop so tight that it runs until nothing moves.
cv::TermCriteria default_stop() {
  return {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 30, 2.220446049250313e-16};
}
cv::TermCriteria tight_stop() {
  return {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 200, 1e-15};
}

double peak_over_mb(const std::function<void()>& body) {
  reset_peak();
  const double before = peak_mb();
  body();
  return peak_mb() - before;
}

double seconds_of(const std::function<void()>& body) {
  const std::clock_t begin = std::clock();
  body();
  return static_cast<double>(std::clock() - begin) / CLOCKS_PER_SEC;
}

/// Many points a view, where the library still finishes: the same least-squares problem.
void report_dense() {
  std::printf(
      "\nmany points a view, least squares, one thread, processor time, the best of several, once "
      "at 5,000\n");
  struct Size {
    int num_views;
    int columns;
    int rows;
  };
  for (const Size& size : {Size{10, 9, 6}, Size{10, 40, 25}, Size{10, 100, 50}}) {
    std::vector<target::View> views =
        tests::synthetic_views(tests::synthetic_lens(),
                               {.num_views = size.num_views,
                                .columns = size.columns,
                                .rows = size.rows,
                                .pitch_mm = 200.0 / (size.columns - 1)})
            .views;
    tests::round_for_library(views);
    double ours = std::numeric_limits<double>::infinity();
    double theirs = ours;
    double our_mb = 0.0;
    double their_mb = 0.0;
    // The library takes minutes at the last size.
    const int repetitions = size.columns < 100 ? kRepetitions : 1;
    for (int i = 0; i < repetitions; ++i) {
      our_mb = std::max(our_mb, peak_over_mb([&] {
                          ours = std::min(ours, seconds_of([&] {
                                            benchmark::DoNotOptimize(fit::fit_lens(views, plain()));
                                          }));
                        }));
      their_mb = std::max(
          their_mb, peak_over_mb([&] {
            theirs = std::min(theirs, seconds_of([&] {
                                benchmark::DoNotOptimize(tests::library_fit(views, default_stop()));
                              }));
          }));
    }
    std::printf(
        "%3d views of %4d points: ours %8.3f s, %4.0f MB; library %8.3f s, %4.0f MB; %.0f times\n",
        size.num_views,
        size.columns * size.rows,
        ours,
        our_mb,
        theirs,
        their_mb,
        theirs / ours);
  }
}

/// Once each: time and memory of a whole fit.
void report_scaling() {
  struct Size {
    int num_views;
    int columns;
    int rows;
  };
  std::printf("\nas the program runs, one thread, once each\n");
  for (const Size& size : {Size{10, 9, 6},
                           Size{100, 9, 6},
                           Size{500, 9, 6},
                           Size{2000, 9, 6},
                           Size{10, 100, 50},
                           Size{60, 100, 50},
                           Size{200, 100, 50}}) {
    const std::vector<target::View> views =
        tests::synthetic_views(tests::synthetic_lens(),
                               {.num_views = size.num_views,
                                .columns = size.columns,
                                .rows = size.rows,
                                .pitch_mm = 200.0 / (size.columns - 1)})
            .views;
    bool fitted = false;
    double seconds = 0.0;
    const double mb = peak_over_mb([&] {
      seconds = seconds_of([&] { fitted = fit::fit_lens(views, {.threads = 1}).has_value(); });
    });
    std::printf(
        "%5d views of %4d points: %8.3f s (%.3f ms a view), %.0f MB over the views' own%s\n",
        size.num_views,
        size.columns * size.rows,
        seconds,
        1e3 * seconds / size.num_views,
        mb,
        fitted ? "" : "; failed");
  }
}

bool same_optimum(int num_views, const tests::LibraryFit& theirs) {
  const auto ours = fit::fit_lens(views_of(num_views), plain());
  if (!ours) {
    std::printf("%d views: %s\n", num_views, ours.error().message.c_str());
    return false;
  }
  Eigen::VectorXd p(9);
  const auto k = lens::parameters(theirs.lens.model);
  p << theirs.lens.focal_px, theirs.lens.principal_point_px, k[0], k[1], k[2], k[3], k[4];
  const double rms = ours->rms_px / theirs.rms_px - 1.0;
  const double worst = (ours->parameters - p).cwiseQuotient(ours->sigma).cwiseAbs().maxCoeff();
  std::printf(
      "%3d views: rms differs by %.1e of itself, parameters by %.1e standard deviations at most, "
      "%d iterations\n",
      num_views,
      rms,
      worst,
      ours->iterations);
  return std::abs(rms) < 1e-6 && worst < 1e-3;
}

double seconds_of_library(int num_views, const cv::TermCriteria& stop, tests::LibraryFit& result) {
  return seconds_of([&] { result = tests::library_fit(views_of(num_views), stop); });
}

/// Processor and wall time of every repetition, by name.
class Collect final : public benchmark::ConsoleReporter {
 public:
  void ReportRuns(const std::vector<Run>& runs) override {
    for (const Run& run : runs) {
      if (run.run_type != Run::RT_Iteration || run.error_occurred) continue;
      cpu_ms_[run.run_name.function_name].push_back(1e3 * run.cpu_accumulated_time /
                                                    static_cast<double>(run.iterations));
    }
    ConsoleReporter::ReportRuns(runs);
  }
  [[nodiscard]] double median_ms(const std::string& name) const {
    const auto found = cpu_ms_.find(name);
    if (found == cpu_ms_.end()) return std::nan("");
    std::vector<double> values = found->second;
    std::nth_element(values.begin(), values.begin() + values.size() / 2, values.end());
    return values[values.size() / 2];
  }

 private:
  std::map<std::string, std::vector<double>> cpu_ms_;
};

std::string name_of(std::string_view what, int num_views) {
  return std::string(what) + "/" + std::to_string(num_views) + " views";
}

void add(const std::string& name, const std::function<void()>& body) {
  benchmark::RegisterBenchmark(name.c_str(),
                               [body](benchmark::State& state) {
                                 for (auto _ : state) body();
                               })
      ->Unit(benchmark::kMillisecond)
      ->MeasureProcessCPUTime()
      ->MinTime(0.05)
      ->Repetitions(kRepetitions);
}

}  // namespace

int main(int argc, char** argv) {
  bool large = false;
  std::vector<char*> arguments;
  for (int i = 0; i < argc; ++i) {
    if (std::string_view(argv[i]) == "--large") {
      large = true;
    } else {
      arguments.push_back(argv[i]);
    }
  }
  int count = static_cast<int>(arguments.size());
  benchmark::Initialize(&count, arguments.data());
  if (benchmark::ReportUnrecognizedArguments(count, arguments.data())) return 1;
  cv::setNumThreads(1);

  std::map<int, double> library_once_s;
  for (int n : kSizes) {
    if (n > kLargestForLibrary && !large) continue;
    tests::LibraryFit theirs;
    // At the large sizes the timed run is the compared one.
    const double seconds =
        seconds_of_library(n, n > kLargestForLibrary ? default_stop() : tight_stop(), theirs);
    if (n > kLargestForLibrary) library_once_s[n] = seconds;
    if (!same_optimum(n, theirs)) {
      std::printf("answers differ; nothing was timed\n");
      return 1;
    }
  }

  for (int n : kSizes) {
    add(name_of("ours, least squares", n),
        [n] { benchmark::DoNotOptimize(fit::fit_lens(views_of(n), plain())); });
    add(name_of("ours, rejection and 5 held-out folds", n),
        [n] { benchmark::DoNotOptimize(fit::fit_lens(views_of(n), {.threads = 1})); });
    if (n <= kLargestForLibrary) {
      add(name_of("library", n),
          [n] { benchmark::DoNotOptimize(tests::library_fit(views_of(n), default_stop())); });
    }
  }
  Collect collect;
  benchmark::RunSpecifiedBenchmarks(&collect);

  std::printf("\nmedian processor time of %d repetitions, one thread; speed-up = library / ours\n",
              kRepetitions);
  for (int n : kSizes) {
    const double ours = collect.median_ms(name_of("ours, least squares", n));
    if (!std::isfinite(ours)) continue;  // left out by a filter
    const double all = collect.median_ms(name_of("ours, rejection and 5 held-out folds", n));
    double library = collect.median_ms(name_of("library", n));
    if (library_once_s.count(n) > 0) library = 1e3 * library_once_s[n];
    std::printf("%3d views: ours %9.2f ms (%.3f ms a view; with rejection and folds %9.2f ms)",
                n,
                ours,
                ours / n,
                all);
    if (std::isfinite(library)) {
      std::printf(", library %11.1f ms%s, speed-up %.0f",
                  library,
                  library_once_s.count(n) > 0 ? " (once)" : "",
                  library / ours);
    }
    std::printf("\n");
  }
  report_dense();
  report_scaling();
  return 0;
}
