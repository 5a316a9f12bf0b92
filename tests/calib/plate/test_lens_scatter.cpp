// Whether the lens from tracks is as uncertain as it says: with independent noise, and with tracks
// that drift, whose errors one point tells of the next. Truth: tests/support/made_shot.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <random>
#include <vector>

#include "calib/plate/trial.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate;
using plate::Trial;
using tests::MadeShot;
using tests::ShotPlan;

/// Every track walks off its feature, each coordinate by `step_px` (standard deviation) a frame,
/// and is drawn back, so that it stays within a few pixels.
void let_drift(MadeShot& shot, double step_px, unsigned seed) {
  constexpr double kDrawnBack = 0.97;
  std::mt19937 random(seed);
  std::normal_distribution<double> step(0.0, step_px);
  std::vector<Point2d> off(shot.points.size(), Point2d(0.0, 0.0));
  for (plate::TrackPoint& point : shot.tracks.points) {
    Point2d& drift = off[static_cast<std::size_t>(point.track)];
    drift = kDrawnBack * drift + Point2d(step(random), step(random));
    point.p_px += drift;
  }
}

/// Errors of focal length and k1 over what is stated of them, root mean square.
struct Stated {
  double scattered = 0.0;
  double by_noise = 0.0;  // over what independent points of the same size would leave
  double scatter = 0.0;   // mean of LensEstimate::scatter
};

Stated errors_over_stated(double step_px) {
  constexpr unsigned kShots = 12;
  double squares = 0.0;
  double by_noise = 0.0;
  Stated result;
  for (unsigned seed = 1; seed <= kShots; ++seed) {
    ShotPlan plan{.num_tracks = 24, .num_frames = 24, .travel = 6.0, .seed = 100 + seed};
    plan.k1 = -0.1;
    MadeShot shot = make_shot(plan);
    if (step_px > 0.0) let_drift(shot, step_px, seed);
    const Result<Trial> trial = plate::try_solve(shot.tracks, {.keyframes = std::array{4, 18}});
    REQUIRE(trial.has_value());
    REQUIRE(trial->lens.focal_sigma_px);
    // The position of the outermost points, whatever the terms.
    const double u2 = std::pow(trial->lens.edge_radius_px / plan.focal_px, 2.0);
    const double edge = (trial->lens.edge_shift_px - trial->lens.edge_radius_px * u2 * plan.k1) /
                        trial->lens.edge_sigma_px;
    const double focal = (trial->lens.focal_px - plan.focal_px) / *trial->lens.focal_sigma_px;
    squares += 0.5 * (edge * edge + focal * focal) / kShots;
    by_noise += std::pow(focal * trial->lens.scatter, 2.0) / kShots;
    result.scatter += trial->lens.scatter / kShots;
  }
  result.scattered = std::sqrt(squares);
  result.by_noise = std::sqrt(by_noise);
  return result;
}

}  // namespace

TEST_CASE("independent noise: the parts of a shot say what the noise says") {
  const Stated stated = errors_over_stated(0.0);
  MESSAGE(fmt::format("independent: errors {:.2f} of the stated, scatter {:.2f}",
                      stated.scattered,
                      stated.scatter));
  CHECK(stated.scattered > 0.4);
  CHECK(stated.scattered < 1.5);
  CHECK(stated.scatter < 1.7);
}

TEST_CASE("tracks that drift: the lens is as uncertain as the parts of the shot disagree") {
  const Stated stated = errors_over_stated(0.2);
  MESSAGE(fmt::format(
      "drifting: errors {:.2f} of the stated, {:.2f} of what the noise says, scatter {:.2f}",
      stated.scattered,
      stated.by_noise,
      stated.scatter));
  CHECK(stated.by_noise > 1.5);
  CHECK(stated.scattered > 0.4);
  CHECK(stated.scattered < 1.6);
}
