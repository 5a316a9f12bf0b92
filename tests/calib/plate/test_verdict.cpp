// Whether the verdict names the fault that was put into a random synthetic shot, over all faults.
// Two cases of each run by default; TRUEPLATE_VERDICT_CASES=25 runs 325, for which the share is
// promised. TRUEPLATE_VERDICT_SEED (1) is the first case's: other cases are other shots.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cstdlib>
#include <string>
#include <vector>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Result;
using trueplate::tests::random_case;
using trueplate::tests::ShotCase;

/// Share of random cases whose verdict is right.
constexpr double kPromisedShare = 0.95;
constexpr int kNumCauses = 10;

int from_environment(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text != nullptr ? std::max(1, std::atoi(text)) : otherwise;
}

int cases_a_cause() { return from_environment("TRUEPLATE_VERDICT_CASES", 2); }
int first_seed() { return from_environment("TRUEPLATE_VERDICT_SEED", 1); }

}  // namespace

TEST_CASE("the verdict names the fault") {
  struct Kind {
    Cause cause;
    bool bent;
  };
  std::vector<Kind> kinds;
  for (int c = 0; c < kNumCauses; ++c) kinds.push_back({static_cast<Cause>(c), false});
  // A lens that nothing straightens looks like parallax.
  for (const Cause cause : {Cause::kPureRotation, Cause::kLittleParallax, Cause::kOnePlane}) {
    kinds.push_back({cause, true});
  }
  int right = 0;
  int all = 0;
  for (const Kind& kind : kinds) {
    int right_here = 0;
    for (int i = 0; i < cases_a_cause(); ++i) {
      const ShotCase made =
          random_case(kind.cause, static_cast<unsigned>(first_seed() + i), {.bent = kind.bent});
      const Result<Trial> trial = try_solve(made.shot.tracks, made.options);
      REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
      ++all;
      if (trial->findings.front().cause == kind.cause) {
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
    fmt::print("{}{}: {} of {} right\n",
               name_of(kind.cause),
               kind.bent ? " through a lens" : "",
               right_here,
               cases_a_cause());
    right += right_here;
  }
  fmt::print("verdict right in {} of {} cases\n", right, all);
  CHECK(right >= kPromisedShare * all);
}
