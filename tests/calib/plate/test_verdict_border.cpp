// How small a fault the verdict still names, and where it passes from a turn of the camera to
// little parallax: shares over random synthetic shots, by the size of the fault. One shot of each
// size for which a share is promised by default; TRUEPLATE_BORDER_CASES=15 makes the table of
// docs/accuracy.md.
// TRUEPLATE_BORDER_SEED (9001) is the first shot's: other seeds are other shots.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <map>
#include <string>
#include <vector>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Result;
using trueplate::tests::CaseOptions;
using trueplate::tests::FaultSize;
using trueplate::tests::random_case;
using trueplate::tests::ShotCase;
using trueplate::tests::true_parallax_px;

int from_environment(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text != nullptr ? std::max(1, std::atoi(text)) : otherwise;
}

int cases_a_size() { return from_environment("TRUEPLATE_BORDER_CASES", 1); }

struct Solved {
  ShotCase made;
  Trial trial;

  [[nodiscard]] const Finding& verdict() const { return trial.findings.front(); }
};

Solved solved(Cause cause, int which, const CaseOptions& options) {
  const int seed = from_environment("TRUEPLATE_BORDER_SEED", 9001) + which;
  ShotCase made = random_case(cause, static_cast<unsigned>(seed), options);
  Result<Trial> trial = try_solve(made.shot.tracks, made.options);
  REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
  return {std::move(made), std::move(*trial)};
}

/// Faults of one kind and size, and the share that is to be named.
struct SmallFault {
  Cause cause;
  FaultSize size;
  double promised_share;  // 0: too small to promise any
};

}  // namespace

TEST_CASE("small faults: how many are named") {
  const std::vector<SmallFault> faults{{Cause::kGood, {}, 0.9},
                                       {Cause::kWrongFocal, {1.01, 1.03}, 0.0},
                                       {Cause::kWrongFocal, {1.03, 1.05}, 0.9},
                                       {Cause::kWrongFocal, {1.05, 1.08}, 0.9},
                                       {Cause::kWrongFocal, {1.08, 1.15}, 0.9},
                                       {Cause::kLens, {2.0, 4.0}, 0.0},
                                       {Cause::kLens, {4.0, 7.0}, 0.8},
                                       {Cause::kLens, {7.0, 10.0}, 0.9},
                                       {Cause::kSlippedTrack, {1.5, 2.0}, 0.0},
                                       {Cause::kSlippedTrack, {2.0, 3.0}, 0.9},
                                       {Cause::kSlippedTrack, {3.0, 4.0}, 0.9},
                                       {Cause::kMarkersOff, {0.4, 0.7}, 0.0},
                                       {Cause::kMarkersOff, {0.7, 1.0}, 0.8},
                                       {Cause::kMarkersOff, {1.0, 1.5}, 0.8},
                                       {Cause::kMarkersOff, {1.5, 2.0}, 0.8},
                                       {Cause::kLittleParallax, {1.0, 2.0}, 0.0},
                                       {Cause::kLittleParallax, {2.0, 3.0}, 0.9}};
  for (const SmallFault& fault : faults) {
    if (fault.promised_share == 0.0 && cases_a_size() == 1) continue;
    std::map<std::string_view, int> said;
    for (int i = 0; i < cases_a_size(); ++i) {
      ++said[name_of(solved(fault.cause, i, {.size = fault.size}).verdict().cause)];
    }
    const int right = said[name_of(fault.cause)];
    fmt::print("{} {:g} to {:g}: {} of {} right;",
               name_of(fault.cause),
               fault.size.least,
               fault.size.most,
               right,
               cases_a_size());
    for (const auto& [name, count] : said) fmt::print(" {} {}", name, count);
    fmt::print("\n");
    CHECK_MESSAGE(right >= fault.promised_share * cases_a_size(), name_of(fault.cause));
  }
}

TEST_CASE("between a turn and little parallax the verdict is either, with its figures") {
  for (const bool bent : {false, true}) {
    for (const bool focal_is_told : {true, false}) {
      if (!focal_is_told && cases_a_size() == 1) continue;
      for (const double size : {0.0, 0.5, 1.0, 1.5, 2.0, 3.0}) {
        int turns = 0, little = 0, either = 0, other = 0;
        double parallax_px = 0.0;
        for (int i = 0; i < cases_a_size(); ++i) {
          const Solved shot =
              solved(Cause::kLittleParallax,
                     i,
                     {.bent = bent, .focal_is_told = focal_is_told, .size = FaultSize{size, size}});
          const Finding& verdict = shot.verdict();
          const double found =
              true_parallax_px(shot.made, shot.trial.keyframes[0], shot.trial.keyframes[1]);
          parallax_px += found * 2048.0 / shot.made.plan.plate_size.width / cases_a_size();
          // A good shot may hide a lens, which is another border.
          const bool is_either = verdict.or_cause && verdict.cause != Cause::kGood;
          (is_either                                 ? either
           : verdict.cause == Cause::kPureRotation   ? turns
           : verdict.cause == Cause::kLittleParallax ? little
                                                     : other) += 1;
          if (is_either) {
            CHECK(verdict.words.find("may as well be") != std::string::npos);
            CHECK((*verdict.or_cause == Cause::kPureRotation ||
                   *verdict.or_cause == Cause::kLittleParallax));
          }
        }
        fmt::print("{}{}, parallax {:.2f} px: turn {}, either {}, little parallax {}, other {}\n",
                   bent ? "lens, " : "",
                   focal_is_told ? "focal length told" : "focal length open",
                   parallax_px,
                   turns,
                   either,
                   little,
                   other);
        constexpr double kMostWrong = 0.1;
        CHECK(other <= kMostWrong * cases_a_size());
        if (size == 0.0) CHECK(little <= kMostWrong * cases_a_size());
        if (size >= 2.0) CHECK(turns <= kMostWrong * cases_a_size());
      }
    }
  }
}
