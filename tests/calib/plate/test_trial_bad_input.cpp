#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <random>
#include <string>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Result;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::ShotPlan;

Trial trial_of(const Tracks& tracks, const TrialOptions& options) {
  Result<Trial> trial = try_solve(tracks, options);
  REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
  REQUIRE(!trial->findings.empty());
  return std::move(*trial);
}

}  // namespace

TEST_CASE("one frame, two equal frames, few tracks: said in words, nothing crashes") {
  MadeShot one = make_shot({.num_tracks = 20, .num_frames = 1});
  Trial trial = trial_of(one.tracks, {.focal_px = 2000.0});
  CHECK(trial.findings.front().cause == Cause::kTooFewCommon);
  CHECK(trial.findings.front().words.find("There is one frame (1001)") == 0);
  CHECK(trial.solves.empty());

  Tracks twice = one.tracks;
  twice.frames.push_back(1002.0);
  for (const TrackPoint& point : one.tracks.points) {
    twice.points.push_back({1, point.track, point.p_px});
  }
  trial = trial_of(twice, {.focal_px = 2000.0});
  CHECK(trial.findings.front().cause == Cause::kPureRotation);
  CHECK(trial.findings.front().words.find("Nothing moves") == 0);
  trial = trial_of(twice, {});
  CHECK(trial.findings.front().cause == Cause::kPureRotation);

  const MadeShot few = make_shot({.num_tracks = 5, .num_frames = 10, .least_life = 1.0});
  trial = trial_of(few.tracks, {.focal_px = 2000.0});
  CHECK(trial.findings.front().cause == Cause::kTooFewCommon);
  CHECK_MESSAGE(trial.findings.front().words.find("have 5 tracks in common, 3 fewer than the 8") !=
                    std::string::npos,
                trial.findings.front().words);
}

TEST_CASE("keyframes that share too little name what is missing") {
  ShotPlan plan{.num_tracks = 30, .num_frames = 20, .least_life = 1.0};
  MadeShot shot = make_shot(plan);
  std::erase_if(shot.tracks.points,
                [](const TrackPoint& point) { return point.frame == 19 && point.track > 4; });
  Trial trial = trial_of(shot.tracks, {.focal_px = 2000.0, .keyframes = std::array{0, 19}});
  CHECK(trial.findings.front().cause == Cause::kTooFewCommon);
  CHECK(trial.findings.front().words.find("Only in frame 1001: 't5'") != std::string::npos);
  CHECK(trial.findings.front().words.find("Only in frame 1020") == std::string::npos);
  // Other pairs have more, and nothing else is claimed.
  CHECK(trial.findings.front().words.find("The keyframes asked for, 1001 and 1020, have 5") == 0);
  CHECK(trial.findings.front().words.find("no other pair") == std::string::npos);
  MadeShot both = shot;
  std::erase_if(both.tracks.points,
                [](const TrackPoint& point) { return point.frame == 0 && point.track < 4; });
  trial = trial_of(both.tracks, {.focal_px = 2000.0, .keyframes = std::array{0, 19}});
  CHECK(trial.findings.front().words.find("Only in frame 1001: 't5'") != std::string::npos);
  CHECK(trial.findings.front().words.find("Only in frame 1020: 't0'") != std::string::npos);
  trial = trial_of(shot.tracks, {.focal_px = 2000.0, .keyframes = std::array{0, 15}});
  CHECK(trial.findings.front().cause == Cause::kGood);
  CHECK(trial.keyframes == std::array{0, 15});
}

TEST_CASE("a chain of frames that breaks is told, with where and for want of what") {
  MadeShot shot = make_shot({.num_tracks = 24, .num_frames = 24, .travel = 3.0, .least_life = 1.0});
  // Four features at a time, eight where two groups meet.
  std::erase_if(shot.tracks.points, [](const TrackPoint& point) {
    return std::abs(point.frame - (point.track / 4) * 4) >= 4;
  });
  const Trial trial = trial_of(shot.tracks, {.focal_px = 2000.0});
  const Finding& verdict = trial.findings.front();
  CHECK(verdict.cause == Cause::kTooFewCommon);
  REQUIRE(trial.unsolved_frames.size() > 12);
  CHECK_MESSAGE(verdict.words.find("The chain breaks between frames") != std::string::npos,
                verdict.words);
  CHECK_MESSAGE(verdict.words.find("share 4 tracks") != std::string::npos, verdict.words);
  CHECK_MESSAGE(verdict.words.find("Missing in frame") != std::string::npos, verdict.words);
  CHECK(!trial.lens.determined);
}

TEST_CASE("options that make no sense are refused") {
  const MadeShot shot = make_shot({.num_tracks = 10, .num_frames = 4});
  const auto refused = [&shot](const TrialOptions& options) {
    const Result<Trial> trial = try_solve(shot.tracks, options);
    return !trial.has_value();
  };
  CHECK(refused({.focal_px = -1.0}));
  CHECK(refused({.focal_px = NAN}));
  CHECK(refused({.focal_ratio = 0.0}));
  CHECK(refused({.keyframes = std::array{0, 4}}));
  CHECK(refused({.keyframes = std::array{1, 1}}));
  CHECK(refused({.focal_px = 2000.0, .lens = trueplate::tests::lens_of({})}));
  Tracks sizeless = shot.tracks;
  sizeless.plate_size = {};
  CHECK(!try_solve(sizeless, {}).has_value());
  CHECK(!try_solve(Tracks{}, {}).has_value());
}

TEST_CASE("tracks of another plate are refused, those of one with overscan are not") {
  const ShotPlan plan{.num_tracks = 30, .num_frames = 10, .travel = 5.0};
  Tracks tracks = make_shot(plan).tracks;
  for (TrackPoint& point : tracks.points) point.p_px.x() += 700.0;
  CHECK(try_solve(tracks, {.focal_px = plan.focal_px}).has_value());
  for (TrackPoint& point : tracks.points) point.p_px.x() += 5000.0;
  const Result<Trial> trial = try_solve(tracks, {.focal_px = plan.focal_px});
  REQUIRE(!trial);
  CHECK(trial.error().message.find("outside the 2048x1152 plate") != std::string::npos);
}

TEST_CASE("frames missing, tracks with gaps and points far outside are solved around") {
  ShotPlan plan{.num_tracks = 40, .num_frames = 30, .travel = 4.0};
  MadeShot shot = make_shot(plan);
  std::mt19937 generator(3);
  std::erase_if(shot.tracks.points, [&generator](const TrackPoint& point) {
    return generator() % 4 == 0 || (point.frame >= 10 && point.frame < 13 && point.track > 2);
  });
  for (TrackPoint& point : shot.tracks.points) {
    if (point.track == 3 && point.frame == 5) point.p_px = {-1e7, 4e8};
  }
  const Trial trial = trial_of(shot.tracks, {.focal_px = plan.focal_px});
  REQUIRE(!trial.solves.empty());
  CHECK(trial.as_given()->used.rms_px < 0.35);
  CHECK(trial.unsolved_frames == std::vector<int>{10, 11, 12});
  CHECK(trial.num_left_out >= 1);
  CHECK(trial.findings.front().cause == Cause::kMarkersOff);
}

TEST_CASE("random points belong to no scene, and that is said") {
  std::mt19937 generator(5);
  Tracks tracks;
  tracks.plate_size = {1920, 1080};
  for (int t = 0; t < 20; ++t) tracks.names.push_back(fmt::format("{}", t));
  for (int f = 0; f < 10; ++f) {
    tracks.frames.push_back(f);
    for (int t = 0; t < 20; ++t) {
      tracks.points.push_back(
          {f,
           t,
           {static_cast<double>(generator() % 1920), static_cast<double>(generator() % 1080)}});
    }
  }
  const Trial trial = trial_of(tracks, {.focal_px = 1800.0});
  CHECK(trial.findings.front().cause != Cause::kGood);
}
