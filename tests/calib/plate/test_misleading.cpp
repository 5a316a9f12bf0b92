// Shots whose figures suggest another fault than they have. Synthetic (tests/support/made_shot,
// which uses nothing of the solver), with the truth known.

#include <doctest/doctest.h>

#include <algorithm>
#include <random>
#include <string>
#include <utility>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Point2d;
using trueplate::Result;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::ShotPlan;
using trueplate::tests::squeeze;

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

TEST_CASE("a track that drifts evenly is told as that, not as a slip") {
  const ShotPlan plan{.num_tracks = 40, .num_frames = 24, .seed = 16};
  MadeShot shot = make_shot(plan);
  const Point2d drift_px(0.4, -0.3);
  int first = -1;
  int last = 0;
  for (TrackPoint& point : shot.tracks.points) {
    if (point.track != 5) continue;
    if (first < 0) first = point.frame;
    last = point.frame;
    point.p_px += drift_px * point.frame;
  }
  const Trial trial = solved(shot, plan.focal_px);
  REQUIRE(trial.faults.size() == 1);
  const TrackFault& fault = trial.faults.front();
  CHECK(fault.track == 5);
  CHECK(fault.kind == FaultKind::kDrifts);
  // Part of it looks like another depth.
  CHECK(fault.drift_px_per_frame == doctest::Approx(drift_px.norm()).epsilon(0.35));
  CHECK(fault.size_px == doctest::Approx(fault.drift_px_per_frame * (last - first)));
  CHECK(fault.frames.size() == static_cast<std::size_t>(last - first) + 1);
  CHECK(trial.findings.front().cause == Cause::kMarkersOff);
}

TEST_CASE("two tracks that change places are told together") {
  const ShotPlan plan{.num_tracks = 40, .num_frames = 24, .least_life = 1.0, .seed = 17};
  MadeShot shot = make_shot(plan);
  for (TrackPoint& point : shot.tracks.points) {
    if (point.frame < 14) continue;
    if (point.track == 3 || point.track == 8) point.track = 11 - point.track;
  }
  std::sort(shot.tracks.points.begin(),
            shot.tracks.points.end(),
            [](const TrackPoint& a, const TrackPoint& b) {
              return std::pair(a.frame, a.track) < std::pair(b.frame, b.track);
            });
  const Trial trial = solved(shot, plan.focal_px);
  REQUIRE(trial.faults.size() == 2);
  for (const TrackFault& fault : trial.faults) {
    CHECK(fault.kind == FaultKind::kSlipped);
    CHECK(fault.swapped_with == 11 - fault.track);
    CHECK(fault.frame == 14);
  }
  const Finding& verdict = trial.findings.front();
  CHECK(verdict.cause == Cause::kSlippedTrack);
  CHECK_MESSAGE(
      verdict.words.find("'t3' and 't8' change places at frame 1015") != std::string::npos,
      verdict.words);
}

TEST_CASE("squeezed pixels that are taken for square are the verdict, with their aspect") {
  const ShotPlan plan{.num_tracks = 40, .num_frames = 24, .seed = 18};
  MadeShot shot = make_shot(plan);
  squeeze(shot, 2.0);
  const Trial trial = solved(shot, 0.5 * plan.focal_px);
  const Finding& verdict = trial.findings.front();
  CHECK(verdict.cause == Cause::kPixelAspect);
  CHECK_MESSAGE(verdict.words.find("--pixel-aspect 2 ") != std::string::npos, verdict.words);
  const Result<Trial> right =
      try_solve(shot.tracks, {.focal_px = 0.5 * plan.focal_px, .focal_ratio = 2.0});
  REQUIRE(right.has_value());
  CHECK(right->findings.front().cause == Cause::kGood);
}

TEST_CASE("one plane is seen through a lens of two terms that nothing straightens") {
  int seen = 0;
  constexpr int kShots = 6;
  for (unsigned seed = 1; seed <= kShots; ++seed) {
    ShotPlan plan{.focal_px = 1500.0, .k1 = -0.1, .k2 = 0.02, .num_tracks = 40, .seed = seed};
    plan.flat = true;
    plan.num_frames = 20;
    const Trial trial = solved(make_shot(plan), plan.focal_px);
    seen += has(trial, Cause::kOnePlane) ? 1 : 0;
  }
  CHECK(seen == kShots);
}

TEST_CASE("a turn behind squeezed pixels is a turn, no plane that the camera moves along") {
  for (const double ratio : {4.0 / 3.0, 2.0}) {
    CAPTURE(ratio);
    const ShotPlan plan{.focal_px = 1700.0, .travel = 0.0, .pan = 0.25, .seed = 21};
    MadeShot shot = make_shot(plan);
    squeeze(shot, ratio);
    const Trial trial = solved(shot, plan.focal_px / ratio);
    CHECK(trial.findings.front().cause == Cause::kPixelAspect);
    CHECK(has(trial, Cause::kPureRotation));
    CHECK_FALSE(has(trial, Cause::kOnePlane));
    CHECK(trial.solves.empty());
  }
}

TEST_CASE("a short shot that hides a lens does not deny it") {
  int hidden = 0;
  int told = 0;
  constexpr unsigned kShots = 24;
  for (unsigned seed = 1; seed <= kShots; ++seed) {
    CAPTURE(seed);
    const ShotPlan plan{.k1 = -0.12,
                        .num_tracks = 16,
                        .num_frames = 8,
                        .noise_px = 0.5,
                        .travel = 0.8,
                        .seed = seed};
    const Trial trial = solved(make_shot(plan), plan.focal_px);
    const Finding& verdict = trial.findings.front();
    if (verdict.cause != Cause::kGood) continue;
    ++hidden;
    const bool either = verdict.or_cause == Cause::kLens;
    CHECK_MESSAGE((either || verdict.words.find("by itself this shot tells") != std::string::npos),
                  verdict.words);
    told += either ? 1 : 0;
  }
  MESSAGE(hidden << " of " << kShots << " shots are good without the lens; " << told
                 << " of them say that it may be there, the others that they would not show it");
  CHECK(hidden > 0);
}

TEST_CASE("a shot that shows what it has denies lens and focal length") {
  const ShotPlan plan{.num_tracks = 80, .num_frames = 40, .travel = 6.0, .seed = 31};
  const Trial trial = solved(make_shot(plan), plan.focal_px);
  const Finding& verdict = trial.findings.front();
  CHECK(verdict.cause == Cause::kGood);
  CHECK_FALSE(verdict.or_cause.has_value());
  CHECK_MESSAGE(
      verdict.words.find("neither lens nor focal length would change that") != std::string::npos,
      verdict.words);
}

TEST_CASE("a bad frame is told as one, not as that many bad tracks") {
  const ShotPlan plan{.num_tracks = 40, .num_frames = 24, .least_life = 1.0, .seed = 32};
  MadeShot shot = make_shot(plan);
  std::mt19937 generator(32);
  std::normal_distribution<double> blur(0.0, 6.0);
  for (TrackPoint& point : shot.tracks.points) {
    if (point.frame == 9) point.p_px += Point2d(blur(generator), blur(generator));
    if (point.track == 7 && point.frame == 15) point.p_px.x() += 9.0;
  }
  const Trial trial = solved(shot, plan.focal_px);
  const Finding& verdict = trial.findings.front();
  CHECK(verdict.cause == Cause::kMarkersOff);
  CHECK_MESSAGE(verdict.words.starts_with("Frame 1010 is off: "), verdict.words);
  CHECK_MESSAGE(verdict.words.find("look at that frame") != std::string::npos, verdict.words);
}

TEST_CASE("a wall with a third of the tracks before it is no plane") {
  for (const unsigned seed : {41U, 42U, 43U}) {
    CAPTURE(seed);
    const ShotPlan plan{.num_tracks = 45, .num_frames = 12, .flat = true, .seed = seed};
    MadeShot shot = make_shot(plan);
    CHECK(solved(shot, plan.focal_px).findings.front().cause == Cause::kOnePlane);
    std::mt19937 generator(seed);
    std::normal_distribution<double> noise(0.0, plan.noise_px);
    const Point2d middle(0.5 * plan.plate_size.width, 0.5 * plan.plate_size.height);
    for (TrackPoint& seen : shot.tracks.points) {
      if (seen.track % 3 != 0) continue;
      // Between a fifth and a half of the way to the first camera.
      const double share = 0.2 + 0.3 * (seen.track % 5) / 4.0;
      const Eigen::Vector3d& on_wall = shot.points[static_cast<std::size_t>(seen.track)];
      const Eigen::Vector3d place = on_wall + share * (shot.poses.front().position() - on_wall);
      const CameraPose& pose = shot.poses[static_cast<std::size_t>(seen.frame)];
      const Eigen::Vector3d p = pose.rotation * place + pose.translation;
      seen.p_px = middle + plan.focal_px * Point2d(p.x() / p.z(), p.y() / p.z()) +
                  Point2d(noise(generator), noise(generator));
    }
    const Trial trial = solved(shot, plan.focal_px);
    CHECK_FALSE(has(trial, Cause::kOnePlane));
    CHECK_MESSAGE(trial.findings.front().cause == Cause::kGood, trial.findings.front().words);
  }
}
