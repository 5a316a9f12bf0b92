#pragma once

#include <benchmark/benchmark.h>

#include <algorithm>
#include <cstdio>
#include <cstring>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/parallel.h"

namespace trueplate::tests {

/// Runs the registered benchmarks, then prints for each group `what/threads` how the time of "ours"
/// compares with the others of the same run.
///
/// Names are what/who/threads; who is "ours" for this project. Repetitions are interleaved at
/// random, so that a disturbance from other programs meets all of them; the median counts.
class Comparison : public benchmark::ConsoleReporter {
 public:
  void ReportRuns(const std::vector<Run>& runs) override {
    for (const Run& run : runs) {
      if (run.run_type != Run::RT_Iteration || run.error_occurred) continue;
      const double iterations = static_cast<double>(run.iterations);
      times_[run.run_name.function_name].push_back({1e3 * run.real_accumulated_time / iterations,
                                                    1e3 * run.cpu_accumulated_time / iterations});
    }
    ConsoleReporter::ReportRuns(runs);
  }

  void Finalize() override {
    ConsoleReporter::Finalize();
    std::printf(
        "\nmedian wall and processor time; ratio = ours / theirs, below 1 = ours is faster\n");
    for (const auto& [name, values] : times_) {
      const std::size_t first = name.find('/');
      const std::size_t last = name.rfind('/');
      if (first == std::string::npos || first == last) continue;
      const std::string who = name.substr(first + 1, last - first - 1);
      const Time theirs = median(values);
      const auto ours = times_.find(name.substr(0, first) + "/ours" + name.substr(last));
      std::printf("%-44s %9.2f ms wall %9.2f ms cpu", name.c_str(), theirs.wall_ms, theirs.cpu_ms);
      if (who != "ours" && ours != times_.end()) {
        const Time own = median(ours->second);
        std::printf("   ratio %.3f wall, %.3f cpu",
                    own.wall_ms / theirs.wall_ms,
                    own.cpu_ms / theirs.cpu_ms);
      }
      std::printf("\n");
    }
  }

  /// Median processor time of what/who/threads; 0 when it was not run.
  [[nodiscard]] double cpu_ms(const std::string& name) const {
    const auto found = times_.find(name);
    return found == times_.end() ? 0.0 : median(found->second).cpu_ms;
  }

 private:
  struct Time {
    double wall_ms, cpu_ms;
  };

  static double median_of(std::vector<double> values) {
    std::nth_element(values.begin(), values.begin() + values.size() / 2, values.end());
    return values[values.size() / 2];
  }
  static Time median(const std::vector<Time>& times) {
    std::vector<double> wall, cpu;
    for (const Time& time : times) {
      wall.push_back(time.wall_ms);
      cpu.push_back(time.cpu_ms);
    }
    return {median_of(wall), median_of(cpu)};
  }

  std::map<std::string, std::vector<Time>> times_;
};

/// Main program of a benchmark: `verify` compares the answers first and returns false when they
/// differ; only then is anything timed. `conclude` gets the finished Comparison.
template <class Verify, class Conclude>
int run_comparison(int argc, char** argv, const Verify& verify, const Conclude& conclude) {
  if (!verify()) {
    std::printf("answers differ; nothing was timed\n");
    return 1;
  }
  std::vector<std::string> texts(argv, argv + argc);
  texts.insert(texts.begin() + 1, "--benchmark_enable_random_interleaving=true");
  std::vector<char*> arguments;
  for (std::string& text : texts) arguments.push_back(text.data());
  int count = static_cast<int>(arguments.size());
  benchmark::Initialize(&count, arguments.data());
  if (benchmark::ReportUnrecognizedArguments(count, arguments.data())) return 1;
  Comparison reporter;
  benchmark::RunSpecifiedBenchmarks(&reporter);
  conclude(reporter);
  return 0;
}
template <class Verify>
int run_comparison(int argc, char** argv, const Verify& verify) {
  return run_comparison(argc, argv, verify, [](const Comparison&) {});
}

struct ComparisonOptions {
  int repetitions = 7;
  int most_threads = 2;  // 1 for what cannot use a second one
};

/// Registers `body(threads)` as what/who/1 thread and what/who/2 threads.
template <class Body>
void register_comparison(const std::string& what,
                         const std::string& who,
                         Body body,
                         const ComparisonOptions& options = {}) {
  for (int threads = 1; threads <= options.most_threads; ++threads) {
    const std::string name = what + "/" + who + (threads == 1 ? "/1 thread" : "/2 threads");
    benchmark::RegisterBenchmark(name.c_str(),
                                 [body, threads](benchmark::State& state) {
                                   for (auto _ : state) body(threads);
                                 })
        ->Unit(benchmark::kMillisecond)
        ->UseRealTime()
        ->MeasureProcessCPUTime()
        ->MinTime(0.05)
        ->Repetitions(options.repetitions);
  }
}

/// Copies with `threads` threads: the least time anything could take that moves these bytes.
inline void copy_floats(const std::vector<float>& from, std::vector<float>& to, int threads) {
  constexpr std::size_t kPiece = 16384;
  const std::size_t pieces = (from.size() + kPiece - 1) / kPiece;
  parallel_rows(static_cast<int>(pieces), threads, [&](int begin, int end) {
    const std::size_t first = static_cast<std::size_t>(begin) * kPiece;
    const std::size_t last = std::min(from.size(), static_cast<std::size_t>(end) * kPiece);
    std::memcpy(to.data() + first, from.data() + first, (last - first) * sizeof(float));
  });
  benchmark::ClobberMemory();
}

}  // namespace trueplate::tests
