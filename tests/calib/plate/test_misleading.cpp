// Shots whose figures suggest another fault than they have. Synthetic (tests/support/made_shot,
// which uses nothing of the solver), with the truth known.

#include <doctest/doctest.h>

#include <algorithm>
#include <random>
#include <string>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Point2d;
using trueplate::Result;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::ShotPlan;

Trial solved(const MadeShot& shot, double focal_px) {
  Result<Trial> trial = try_solve(shot.tracks, {.focal_px = focal_px});
  REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
  return std::move(*trial);
}

bool has(const Trial& trial, Cause cause) {
  return std::any_of(trial.findings.begin(), trial.findings.end(), [cause](const Finding& f) {
    return f.cause == cause;
  });
}

/// The track is anywhere on the plate.
void scatter(MadeShot& shot, int track, std::mt19937& generator) {
  std::uniform_real_distribution<double> share(0.0, 1.0);
  for (TrackPoint& point : shot.tracks.points) {
    if (point.track != track) continue;
    point.p_px = {shot.tracks.plate_size.width * share(generator),
                  shot.tracks.plate_size.height * share(generator)};
  }
}

}  // namespace

TEST_CASE("a turn stays one with a focal length that is off: no path is made up") {
  const ShotPlan plan{.focal_px = 1710.0, .travel = 0.0, .pan = 0.25, .seed = 12};
  const MadeShot shot = make_shot(plan);
  for (const double off : {0.95, 1.03, 1.08}) {
    CAPTURE(off);
    const Trial trial = solved(shot, off * plan.focal_px);
    CHECK(trial.findings.front().cause == Cause::kPureRotation);
    CHECK(trial.solves.empty());
  }
}

TEST_CASE("points at random are markers off, no focal length and no lens") {
  MadeShot shot = make_shot({.num_tracks = 40, .num_frames = 20, .seed = 13});
  std::mt19937 generator(13);
  for (int track = 0; track < 40; ++track) scatter(shot, track, generator);
  const Trial trial = solved(shot, 2000.0);
  CHECK(trial.findings.front().cause == Cause::kMarkersOff);
  CHECK_FALSE(has(trial, Cause::kWrongFocal));
  CHECK_FALSE(has(trial, Cause::kLens));
}

TEST_CASE("a lens that explains far more than any focal length is a lens") {
  const ShotPlan plan{.k1 = -0.1, .num_tracks = 40, .num_frames = 24, .seed = 14};
  const Trial trial = solved(make_shot(plan), plan.focal_px);
  CHECK(trial.findings.front().cause == Cause::kLens);
  CHECK_FALSE(trial.findings.front().or_cause.has_value());
}

TEST_CASE("a track that is anywhere is named, and no shot with it is good") {
  for (const int which : {3, 11, 17}) {
    CAPTURE(which);
    const ShotPlan plan{.num_tracks = 40, .num_frames = 24, .seed = 15};
    MadeShot shot = make_shot(plan);
    std::mt19937 generator(static_cast<unsigned>(which));
    scatter(shot, which, generator);
    const Trial trial = solved(shot, plan.focal_px);
    const Finding& verdict = trial.findings.front();
    CHECK(verdict.cause == Cause::kMarkersOff);
    const std::string name = "'" + shot.tracks.names[static_cast<std::size_t>(which)] + "'";
    CHECK_MESSAGE(verdict.words.find(name) != std::string::npos, verdict.words);
    CHECK(trial.warnings.empty());
  }
}
