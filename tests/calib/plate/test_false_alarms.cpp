// That nothing is found where nothing is wrong, in random synthetic shots (tests/support/made_shot,
// which uses nothing of the solver) whose only error is normal noise. Few shots by default;
// TRUEPLATE_ALARM_CASES=20 makes the share of docs/accuracy.md.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <string>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Result;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::ShotPlan;

int num_cases() {
  const char* text = std::getenv("TRUEPLATE_ALARM_CASES");
  return text != nullptr ? std::max(1, std::atoi(text)) : 4;
}

/// Short tracks and few a frame, which follow each of their points.
ShotPlan short_tracks(int which, double noise_px) {
  return {.focal_px = 1600.0 + 170.0 * (which % 8),
          .num_tracks = 40,
          .num_frames = 24,
          .noise_px = noise_px,
          .least_life = 0.2,
          .seed = 4100U + static_cast<unsigned>(which)};
}

}  // namespace

TEST_CASE("noise alone puts no marker off") {
  for (const double noise_px : {0.3, 0.5}) {
    int good = 0;
    for (int i = 0; i < num_cases(); ++i) {
      const ShotPlan plan = short_tracks(i, noise_px);
      const MadeShot shot = make_shot(plan);
      const Result<Trial> trial = try_solve(shot.tracks, {.focal_px = plan.focal_px});
      REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
      const Finding& verdict = trial->findings.front();
      if (verdict.cause == Cause::kGood && trial->num_left_out == 0) {
        ++good;
      } else {
        fmt::print("  seed {}: {}\n", plan.seed, verdict.words);
      }
    }
    fmt::print("noise of {} px: {} of {} good\n", noise_px, good, num_cases());
    constexpr double kPromisedShare = 0.95;
    CHECK(good >= kPromisedShare * num_cases());
  }
}
