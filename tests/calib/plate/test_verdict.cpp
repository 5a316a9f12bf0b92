// Whether the verdict names the fault that was put into a random synthetic shot, over all faults.
// Three cases of each run by default; TRUEPLATE_VERDICT_CASES=25 runs 225, for which the share is
// promised. TRUEPLATE_VERDICT_SEED (1) is the first case's: other cases are other shots.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cstdlib>
#include <string>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Result;
using trueplate::tests::random_case;
using trueplate::tests::ShotCase;

/// Share of random cases whose verdict is right.
constexpr double kPromisedShare = 0.95;
constexpr int kNumCauses = 9;

int from_environment(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text != nullptr ? std::max(1, std::atoi(text)) : otherwise;
}

int cases_a_cause() { return from_environment("TRUEPLATE_VERDICT_CASES", 3); }
int first_seed() { return from_environment("TRUEPLATE_VERDICT_SEED", 1); }

}  // namespace

TEST_CASE("the verdict names the fault") {
  int right = 0;
  int all = 0;
  for (int c = 0; c < kNumCauses; ++c) {
    const auto cause = static_cast<Cause>(c);
    int right_here = 0;
    for (int i = 0; i < cases_a_cause(); ++i) {
      const ShotCase made = random_case(cause, static_cast<unsigned>(first_seed() + i));
      const Result<Trial> trial = try_solve(made.shot.tracks, made.options);
      REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
      ++all;
      if (trial->findings.front().cause == cause) {
        ++right_here;
        continue;
      }
      const CameraSolve* solve = trial->as_given();
      fmt::print("{}\n  said {} ({:.2f} px): {}\n",
                 made.about,
                 name_of(trial->findings.front().cause),
                 solve != nullptr ? solve->used.rms_px : 0.0,
                 trial->findings.front().words);
    }
    fmt::print("{}: {} of {} right\n", name_of(cause), right_here, cases_a_cause());
    right += right_here;
  }
  fmt::print("verdict right in {} of {} cases\n", right, all);
  CHECK(right >= kPromisedShare * all);
}
