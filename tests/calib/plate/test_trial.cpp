// Synthetic shots of which lens, cameras and points are known (tests/support/made_shot, which uses
// nothing of the solver). What is expected of the average error follows from the noise and the
// number of unknowns; the optimum is that of another minimiser, Eigen's port of MINPACK
// (J. J. More, The Levenberg-Marquardt Algorithm, 1978).

#include "calib/plate/trial.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <unsupported/Eigen/NonLinearOptimization>
#include <unsupported/Eigen/NumericalDiff>

#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Point2d;
using trueplate::Result;
using trueplate::tests::lens_of;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::path_error;
using trueplate::tests::ShotPlan;

Trial solved(const MadeShot& shot, const TrialOptions& options) {
  Result<Trial> trial = try_solve(shot.tracks, options);
  REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
  REQUIRE_MESSAGE(!trial->solves.empty(), trial->findings.front().words);
  return std::move(*trial);
}

/// Root mean square of the distances that noise leaves: each coordinate has it, less the share that
/// the unknowns take up.
double expected_rms(const MadeShot& shot, double noise_px, double num_lens = 0.0) {
  const double equations = 2.0 * static_cast<double>(shot.tracks.points.size());
  const double unknowns = 6.0 * static_cast<double>(shot.tracks.frames.size()) +
                          3.0 * static_cast<double>(shot.tracks.names.size()) - 7.0 + num_lens;
  return noise_px * std::sqrt(2.0 * (equations - unknowns) / equations);
}

/// Poses (rotation by Cayley's formula, translation) and points of a pinhole, as one vector.
struct Problem {
  using Scalar = double;
  using InputType = Eigen::VectorXd;
  using ValueType = Eigen::VectorXd;
  using JacobianType = Eigen::MatrixXd;
  enum { InputsAtCompileTime = Eigen::Dynamic, ValuesAtCompileTime = Eigen::Dynamic };

  const MadeShot& shot;
  double focal_px;
  std::vector<Eigen::Matrix3d> base;

  [[nodiscard]] int inputs() const {
    return static_cast<int>(6 * shot.poses.size() + 3 * shot.points.size());
  }
  [[nodiscard]] int values() const { return static_cast<int>(2 * shot.tracks.points.size()); }

  int operator()(const InputType& x, ValueType& residuals) const {
    const auto first_point = static_cast<Eigen::Index>(6 * shot.poses.size());
    for (std::size_t i = 0; i < shot.tracks.points.size(); ++i) {
      const TrackPoint& seen = shot.tracks.points[i];
      const Eigen::Vector3d c = x.segment<3>(6 * seen.frame);
      const Eigen::Matrix3d skew =
          (Eigen::Matrix3d() << 0, -c.z(), c.y(), c.z(), 0, -c.x(), -c.y(), c.x(), 0).finished();
      const Eigen::Matrix3d one = Eigen::Matrix3d::Identity();
      const Eigen::Matrix3d rotation =
          (one - skew).inverse() * (one + skew) * base[static_cast<std::size_t>(seen.frame)];
      const Eigen::Vector3d p =
          rotation * x.segment<3>(first_point + 3 * seen.track) + x.segment<3>(6 * seen.frame + 3);
      const Point2d centre(0.5 * shot.tracks.plate_size.width, 0.5 * shot.tracks.plate_size.height);
      residuals.segment<2>(static_cast<Eigen::Index>(2 * i)) =
          centre + focal_px * p.hnormalized() - seen.p_px;
    }
    return 0;
  }
};

}  // namespace

TEST_CASE("with the true lens the average error is the noise, and the path is the camera's") {
  struct Size {
    int tracks;
    int frames;
    double worst_path;
  };
  const std::vector<Size> sizes{{8, 12, 0.02},
                                {12, 3, 0.05},
                                {40, 2, 0.0},
                                {60, 40, 0.002},
                                {300, 20, 0.002},
                                {20, 300, 0.005}};
  for (const Size& size : sizes) {
    const int tracks = size.tracks;
    const int frames = size.frames;
    CAPTURE(tracks);
    CAPTURE(frames);
    ShotPlan plan{.num_tracks = tracks, .num_frames = frames, .travel = 4.0};
    plan.k1 = -0.08;
    if (frames < 4) plan.least_life = 1.0;
    const MadeShot shot = make_shot(plan);
    const Trial trial = solved(shot, {.lens = lens_of(plan)});
    const CameraSolve& solve = *trial.as_given();
    const double expected = expected_rms(shot, plan.noise_px);
    fmt::print(
        "{} tracks, {} frames: average error {:.4f} px, expected {:.4f}; without lens {:.3f}, "
        "lens free {:.4f}; path off by {:.5f} of its length\n",
        tracks,
        frames,
        solve.used.rms_px,
        expected,
        trial.solves.front().used.rms_px,
        trial.solves.back().used.rms_px,
        path_error(shot, solve));
    CHECK(solve.used.num_points == static_cast<int>(shot.tracks.points.size()));
    // Four standard deviations of the average of so many squares.
    const double freedom = 2.0 * shot.tracks.points.size() * expected * expected /
                           (2.0 * plan.noise_px * plan.noise_px);
    CHECK(solve.used.rms_px == doctest::Approx(expected).epsilon(4.0 / std::sqrt(2.0 * freedom)));
    CHECK(path_error(shot, solve) <= size.worst_path);
    CHECK(trial.findings.front().cause == Cause::kGood);
  }
}

TEST_CASE("the three-way table shows the lens, and the lens comes out of the tracks") {
  ShotPlan plan{.num_tracks = 80, .num_frames = 40, .travel = 5.0};
  plan.k1 = -0.12;
  plan.k2 = 0.03;
  const MadeShot shot = make_shot(plan);
  const Trial trial = solved(shot, {.focal_px = plan.focal_px});
  const CameraSolve& none = *trial.find(LensUse::kNone);
  const CameraSolve& free = *trial.find(LensUse::kFree);
  CHECK(trial.find(LensUse::kProfile) == nullptr);
  CHECK(none.used.rms_px > 2.0 * free.used.rms_px);
  CHECK(free.used.rms_px == doctest::Approx(expected_rms(shot, plan.noise_px, 2.0)).epsilon(0.05));
  CHECK(trial.findings.front().cause == Cause::kLens);
  CHECK(trial.lens.p_value < 1e-6);
  CHECK(trial.lens.determined);
  CHECK(std::abs(trial.lens.radial[0] - plan.k1) < 4.0 * trial.lens.radial_sigma[0]);
  fmt::print(
      "no lens {:.3f} px, lens free {:.3f} px; k1 {:.4f} +- {:.4f}, k2 {:.4f} +- {:.4f}; path "
      "off by {:.4f} and {:.4f} of its length\n",
      none.used.rms_px,
      free.used.rms_px,
      trial.lens.radial[0],
      trial.lens.radial_sigma[0],
      trial.lens.radial[1],
      trial.lens.radial_sigma[1],
      path_error(shot, none),
      path_error(shot, free));
}

TEST_CASE("focal length and lens lie within what the solve says of them") {
  double squares = 0.0;
  int count = 0;
  for (unsigned seed = 1; seed <= 10; ++seed) {
    ShotPlan plan{.num_tracks = 40, .num_frames = 20, .travel = 6.0, .seed = seed};
    plan.k1 = -0.1;
    const MadeShot shot = make_shot(plan);
    const Trial trial = solved(shot, {});
    CAPTURE(seed);
    CAPTURE(trial.findings.front().words);
    REQUIRE(trial.lens.focal_sigma_px);
    REQUIRE(trial.lens.num_radial == 1);
    const double focal = (trial.lens.focal_px - plan.focal_px) / *trial.lens.focal_sigma_px;
    const double k1 = (trial.lens.radial[0] - plan.k1) / trial.lens.radial_sigma[0];
    squares += focal * focal + k1 * k1;
    count += 2;
  }
  const double rms = std::sqrt(squares / count);
  fmt::print("errors of focal length and k1 over their sigmas, rms of {}: {:.2f}\n", count, rms);
  CHECK(rms > 0.5);
  CHECK(rms < 1.6);
}

TEST_CASE("a lens that nothing straightens does not pass for a moving camera") {
  for (const bool focal_known : {true, false}) {
    CAPTURE(focal_known);
    ShotPlan plan{.num_tracks = 40, .num_frames = 24, .travel = 0.0, .pan = 0.2};
    plan.k1 = -0.12;
    const MadeShot shot = make_shot(plan);
    const Result<Trial> trial = try_solve(
        shot.tracks, {.focal_px = focal_known ? std::optional(plan.focal_px) : std::nullopt});
    REQUIRE(trial.has_value());
    CHECK(trial->findings.front().cause == Cause::kPureRotation);
    CHECK(trial->solves.empty());
    if (!focal_known) continue;
    REQUIRE(trial->findings.size() == 2);
    CHECK(trial->findings[1].cause == Cause::kLens);
  }
}

TEST_CASE("a focal length a little off makes no lens that counts as determined") {
  for (const double factor : {0.98, 0.9825, 0.985, 0.99, 1.01, 1.015, 1.02}) {
    CAPTURE(factor);
    const ShotPlan plan{.num_tracks = 80, .num_frames = 24, .travel = 4.0};
    const Trial trial = solved(make_shot(plan), {.focal_px = factor * plan.focal_px});
    const Cause cause = trial.findings.front().cause;
    CHECK_MESSAGE((cause == Cause::kWrongFocal || cause == Cause::kGood),
                  trial.findings.front().words);
    if (trial.lens.determined) {
      CHECK(std::abs(trial.lens.radial[0]) < 3.0 * trial.lens.radial_sigma[0]);
    }
  }
}

TEST_CASE("a profile of another lens is the verdict, not the tracks") {
  ShotPlan plan{.num_tracks = 80, .num_frames = 40, .travel = 4.0};
  plan.k1 = -0.12;
  plan.k2 = 0.03;
  const MadeShot shot = make_shot(plan);
  ShotPlan other = plan;
  other.focal_px = 2460.0;
  other.k1 = -0.3;
  other.k2 = 0.1;
  const Trial trial = solved(shot, {.lens = lens_of(other)});
  const Cause cause = trial.findings.front().cause;
  CHECK_MESSAGE((cause == Cause::kLens || cause == Cause::kWrongFocal),
                trial.findings.front().words);
  CHECK(trial.num_left_out < 10);
}

TEST_CASE("a profile whose lens and focal length make up for one another is told as both") {
  const ShotPlan plan{.focal_px = 1500.0, .num_tracks = 80, .num_frames = 30, .travel = 3.0};
  const MadeShot shot = make_shot(plan);
  ShotPlan other = plan;
  other.focal_px = 1700.0;
  other.k1 = 0.08;
  const Trial trial = solved(shot, {.lens = lens_of(other)});
  CHECK_MESSAGE(trial.findings.front().cause != Cause::kGood, trial.findings.front().words);
  CHECK(std::any_of(trial.findings.begin(), trial.findings.end(), [](const Finding& finding) {
    return finding.cause == Cause::kWrongFocal;
  }));
  const CameraSolve* fitting = trial.find(LensUse::kAllFree);
  REQUIRE(fitting != nullptr);
  CHECK(std::abs(fitting->lens.focal_px.x() / plan.focal_px - 1.0) < 0.01);
  CHECK(fitting->used.rms_px < trial.as_given()->used.rms_px);
}

TEST_CASE("the optimum is that of an independent minimiser") {
  ShotPlan plan{.num_tracks = 14, .num_frames = 5, .travel = 4.0, .least_life = 1.0};
  const MadeShot shot = make_shot(plan);
  const Trial trial = solved(shot, {.focal_px = plan.focal_px});
  const CameraSolve& solve = *trial.find(LensUse::kNone);
  REQUIRE(solve.used.num_points == static_cast<int>(shot.tracks.points.size()));
  // From the truth, so that nothing of the solve is used.
  Problem problem{shot, plan.focal_px, {}};
  Eigen::VectorXd x = Eigen::VectorXd::Zero(problem.inputs());
  for (std::size_t f = 0; f < shot.poses.size(); ++f) {
    problem.base.push_back(shot.poses[f].rotation);
    x.segment<3>(static_cast<Eigen::Index>(6 * f + 3)) = shot.poses[f].translation;
  }
  for (std::size_t t = 0; t < shot.points.size(); ++t) {
    x.segment<3>(static_cast<Eigen::Index>(6 * shot.poses.size() + 3 * t)) = shot.points[t];
  }
  Eigen::NumericalDiff<Problem, Eigen::Central> differentiated(problem);
  Eigen::LevenbergMarquardt<Eigen::NumericalDiff<Problem, Eigen::Central>> minimiser(
      differentiated);
  minimiser.parameters.ftol = 1e-15;
  minimiser.parameters.xtol = 1e-15;
  minimiser.parameters.maxfev = 2000;
  minimiser.minimize(x);
  const double theirs =
      minimiser.fvec.norm() / std::sqrt(static_cast<double>(shot.tracks.points.size()));
  fmt::print(
      "average error {:.10f} px, independent minimiser {:.10f} px\n", solve.used.rms_px, theirs);
  constexpr double kPromised = 1e-6;
  CHECK(std::abs(solve.used.rms_px - theirs) < kPromised * theirs);
  for (std::size_t i = 0; i < shot.tracks.points.size(); ++i) {
    const Point2d other = minimiser.fvec.segment<2>(static_cast<Eigen::Index>(2 * i));
    REQUIRE(solve.residuals_px[i]);
    CHECK((*solve.residuals_px[i] + other).norm() < 1e-4);
  }
}

TEST_CASE("any number of threads gives the same bits, and faults are named") {
  ShotPlan plan{.num_tracks = 30, .num_frames = 24, .travel = 4.0};
  MadeShot shot = make_shot(plan);
  int first = -1;
  for (const TrackPoint& point : shot.tracks.points) {
    if (point.track == 7 && first < 0) first = point.frame;
  }
  trueplate::tests::slip(shot, 7, 12, {8.0, -6.0});
  const Trial one = solved(shot, {.focal_px = plan.focal_px, .threads = 1});
  const Trial many = solved(shot, {.focal_px = plan.focal_px, .threads = 3});
  REQUIRE(one.solves.size() == many.solves.size());
  for (std::size_t i = 0; i < one.solves.size(); ++i) {
    CHECK(one.solves[i].used.rms_px == many.solves[i].used.rms_px);
    CHECK(one.solves[i].poses[5]->translation == many.solves[i].poses[5]->translation);
  }
  CHECK(one.findings.front().cause == Cause::kSlippedTrack);
  REQUIRE(one.faults.size() == 1);
  CHECK(one.faults[0].track == 7);
  CHECK(one.faults[0].frame == std::max(12, first));
  CHECK(one.faults[0].size_px == doctest::Approx(10.0).epsilon(0.05));
  CHECK(one.findings.front().words.find("'t7' jumps by") != std::string::npos);
  CHECK(one.findings.front().words.find("at frame 1013") != std::string::npos);
}

TEST_CASE("bands follow the plate's size") {
  CHECK(band_of(0.99, {2048, 1152}) == Band::kAim);
  CHECK(band_of(1.01, {2048, 1152}) == Band::kSuspect);
  CHECK(band_of(2.01, {2048, 1152}) == Band::kBad);
  CHECK(band_of(1.99, {4096, 2304}) == Band::kAim);
  CHECK(band_of(NAN, {4096, 2304}) == Band::kBad);
}
