// The trial camera solve from 20 to 300 tracks and 75 to 300 frames, lens and all, on one thread:
// time by frames at a fixed number of tracks is to be linear. Each answer is checked first: the
// average error with the lens free has to be the noise.

#include <benchmark/benchmark.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <utility>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

using namespace trueplate;

namespace {

constexpr double kNoisePx = 0.2;

const tests::MadeShot& shot_of(int num_tracks, int num_frames) {
  static std::map<std::pair<int, int>, tests::MadeShot> cache;
  const auto [entry, is_new] = cache.try_emplace({num_tracks, num_frames});
  if (is_new) {
    entry->second = tests::make_shot({.k1 = -0.08,
                                      .num_tracks = num_tracks,
                                      .num_frames = num_frames,
                                      .noise_px = kNoisePx,
                                      .travel = 4.0,
                                      .least_life = 0.8});
  }
  return entry->second;
}

void solve(benchmark::State& state) {
  const tests::MadeShot& shot =
      shot_of(static_cast<int>(state.range(0)), static_cast<int>(state.range(1)));
  for (auto _ : state) {
    const Result<plate::Trial> trial =
        plate::try_solve(shot.tracks, {.focal_px = 2000.0, .threads = 1});
    if (!trial || trial->solves.empty() ||
        std::abs(trial->solves.back().used.rms_px / (kNoisePx * std::sqrt(2.0)) - 1.0) > 0.1) {
      std::fprintf(stderr, "the answer is wrong\n");
      std::exit(1);
    }
  }
  state.counters["points"] = static_cast<double>(shot.tracks.points.size());
}

}  // namespace

BENCHMARK(solve)
    ->Args({20, 300})
    ->Args({60, 75})
    ->Args({60, 150})
    ->Args({60, 300})
    ->Args({300, 75})
    ->Args({300, 150})
    ->Args({300, 300})
    ->Iterations(1)
    ->Unit(benchmark::kSecond);

BENCHMARK_MAIN();
