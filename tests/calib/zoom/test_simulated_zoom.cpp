// A zoom that is known everywhere, calibrated at stations, and asked for in between. Without a
// source outside: the law is stated in simulated_zoom.cpp, the error measured by code of its own.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <random>

#include "calib/zoom/zoom_lens.h"
#include "tests/calib/zoom/simulated_zoom.h"

namespace trueplate::tests {
namespace {

constexpr double kNoisePx = 0.15;  // of a corner's coordinate
constexpr double kMostErrorPx = 0.1;
constexpr int kNumStates = 40;

/// States spread over the whole zoom: none of them a station.
std::vector<StationAt> states_between() {
  std::mt19937 random(7);
  std::uniform_real_distribution<double> unit(0.0, 1.0);
  std::vector<StationAt> states;
  while (static_cast<int>(states.size()) < kNumStates) {
    const double focal = 24.0 * std::pow(70.0 / 24.0, unit(random));
    states.push_back({focal, 1.0 / (unit(random) / 0.6)});  // even in 1 / s
  }
  return states;
}

struct Score {
  double rms_px = 0.0;    // over states, of the error over the plate
  double worst_px = 0.0;  // state
  double focal_percent = 0.0;
  double sigma_rms_px = 0.0;
  double error_over_sigma = 0.0;  // root mean square
  int num_within_two = 0;
  int num_max_within_two = 0;
  int num_focal_within_two = 0;
  double refit_px = 0.0;
};

Score score(const zoom::ZoomLens& lens) {
  Score result;
  for (const StationAt& at : states_between()) {
    const Result<zoom::LensAtState> found =
        lens.at({.focal_mm = at.focal_mm, .focus_m = at.focus_m});
    REQUIRE_MESSAGE(found, found.error().message);
    const lens::Lens truth = true_zoom(at.focal_mm, at.focus_m);
    const FieldError error = solved_plate_error(found->lens, truth);
    const double focal = std::abs(found->lens.focal_px.x() / truth.focal_px.x() - 1.0);
    result.rms_px += error.rms_px * error.rms_px / kNumStates;
    result.worst_px = std::max(result.worst_px, error.rms_px);
    result.focal_percent = std::max(result.focal_percent, 100.0 * focal);
    result.sigma_rms_px += found->sigma.rms_px * found->sigma.rms_px / kNumStates;
    result.error_over_sigma += std::pow(error.rms_px / found->sigma.rms_px, 2) / kNumStates;
    result.num_within_two += error.rms_px <= 2.0 * found->sigma.rms_px ? 1 : 0;
    result.num_max_within_two += error.max_px <= 2.0 * found->sigma.max_px ? 1 : 0;
    result.num_focal_within_two += focal <= 2.0 * found->sigma.focal_share ? 1 : 0;
    result.refit_px = std::max(result.refit_px, found->refit_max_px);
  }
  result.rms_px = std::sqrt(result.rms_px);
  result.sigma_rms_px = std::sqrt(result.sigma_rms_px);
  result.error_over_sigma = std::sqrt(result.error_over_sigma);
  return result;
}

/// Five by three stations without those that `missing` names by number from 0.
std::vector<profile::Station> stations_without(const std::vector<std::size_t>& missing) {
  static const std::vector<profile::Station> all =
      calibrated_stations(five_by_three(), kNoisePx, 1);
  std::vector<profile::Station> stations;
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (std::find(missing.begin(), missing.end(), i) == missing.end()) stations.push_back(all[i]);
  }
  return stations;
}

void print_row(const std::string& name, std::size_t num_stations, const Score& found) {
  fmt::print(
      "{:<34} {:>3} {:>8.4f} {:>8.4f} {:>8.4f} {:>6.2f} {:>4} {:>4} {:>4} {:>8.4f} {:>8.4f}\n",
      name,
      num_stations,
      found.rms_px,
      found.worst_px,
      found.sigma_rms_px,
      found.error_over_sigma,
      found.num_within_two,
      found.num_max_within_two,
      found.num_focal_within_two,
      found.focal_percent,
      found.refit_px);
}

void check_covered(const Score& found) {
  // Of 40 states, two outside two standard deviations are what to expect.
  CHECK(found.num_within_two >= 38);
  CHECK(found.num_max_within_two >= 38);
  CHECK(found.num_focal_within_two >= 38);
  CHECK(found.error_over_sigma < 1.2);
}

}  // namespace

TEST_CASE("between five by three stations the lens is right to a tenth of a pixel, and says so") {
  fmt::print("{:<34} {:>3} {:>8} {:>8} {:>8} {:>6} {:>4} {:>4} {:>4} {:>8} {:>8}\n",
             "stations",
             "n",
             "rms px",
             "worst",
             "sigma",
             "ratio",
             "in 2",
             "max",
             "f",
             "f %",
             "refit px");
  struct Case {
    const char* name;
    std::vector<std::size_t> missing;
  };
  // Numbered by focal length, each with 0.6 m, 1.5 m, infinity.
  const std::vector<Case> cases{{"all, 5 x 3", {}},
                                {"without 42 mm at 1.5 m", {7}},
                                {"without 24 mm at infinity", {2}},
                                {"without 32 at 0.6 and 55 at inf.", {3, 11}},
                                {"42 mm at infinity only", {6, 7}}};
  for (const Case& one : cases) {
    CAPTURE(one.name);
    const std::vector<profile::Station> stations = stations_without(one.missing);
    const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations);
    REQUIRE_MESSAGE(lens, lens.error().message);
    const Score found = score(*lens);
    print_row(one.name, stations.size(), found);
    CHECK(found.worst_px < kMostErrorPx);
    check_covered(found);
  }
}

TEST_CASE("with a whole focal length missing the error grows, and the stated one with it") {
  const std::vector<profile::Station> stations = stations_without({3, 4, 5});
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations);
  REQUIRE_MESSAGE(lens, lens.error().message);
  const Score found = score(*lens);
  print_row("without 32 mm", stations.size(), found);
  CHECK(found.worst_px < 2.0 * kMostErrorPx);
  check_covered(found);
}

TEST_CASE("other noise, other zooms of the same law: the stated error covers") {
  double squares = 0.0;
  int within = 0;
  constexpr int kNumShoots = 6;
  for (unsigned shoot = 0; shoot < kNumShoots; ++shoot) {
    const auto stations = calibrated_stations(five_by_three(), kNoisePx, 100 + shoot);
    const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations);
    REQUIRE_MESSAGE(lens, lens.error().message);
    const Score found = score(*lens);
    CHECK(found.worst_px < kMostErrorPx);
    squares += found.error_over_sigma * found.error_over_sigma / kNumShoots;
    within += found.num_within_two;
  }
  fmt::print("{} shoots: error over its sigma {:.2f} (rms), {} of {} states within two\n",
             kNumShoots,
             std::sqrt(squares),
             within,
             kNumShoots * kNumStates);
  CHECK(std::sqrt(squares) < 1.0);
  CHECK(within >= 0.95 * kNumShoots * kNumStates);
}

TEST_CASE("leaving out a station tells the error that is really made there") {
  const std::vector<profile::Station> stations = stations_without({});
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations);
  REQUIRE(lens);
  for (std::size_t i = 0; i < stations.size(); ++i) {
    CAPTURE(i);
    std::vector<profile::Station> others = stations;
    others.erase(others.begin() + static_cast<std::ptrdiff_t>(i));
    const Result<zoom::ZoomLens> without = zoom::ZoomLens::create(others);
    REQUIRE(without);
    const auto found =
        without->at({.focal_mm = stations[i].nominal_focal_mm, .focus_m = stations[i].focus_m});
    REQUIRE(found);
    const FieldError error = solved_plate_error(found->lens, stations[i].lens);
    REQUIRE(lens->left_out()[i].station);
    // The one is of the field and on the straight picture, the other of the lens and on the plate.
    CHECK(lens->left_out()[i].station->rms_px == doctest::Approx(error.rms_px).epsilon(0.2));
    CHECK(lens->left_out()[i].focal_length.has_value() == (i >= 3 && i < 12));
  }
}

namespace {

constexpr int kPullFrames = 100;

/// Of the places of three rays from frame to frame: the largest move, and the largest second
/// difference, of the lens that is told, of the true one, and of what is between them.
struct Pull {
  double step_px = 0.0;
  double second_px = 0.0;
  double true_second_px = 0.0;
  double error_second_px = 0.0;
};

Pull pulled(const std::function<StationAt(double share)>& state_at) {
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(stations_without({}));
  REQUIRE(lens);
  // A ray an eighth of the way in from each edge, and the corner.
  const std::vector<Point2d> rays{{-0.3, -0.17}, {0.25, 0.1}, {0.33, 0.185}};
  const auto places = [&](const lens::Lens& at) {
    Eigen::Matrix2Xd result(2, 3);
    for (Eigen::Index i = 0; i < 3; ++i) {
      const Point2d& ray = rays[static_cast<std::size_t>(i)];
      result.col(i) = lens::px_from_ideal(at, *lens::distort(at.model, ray));
    }
    return result;
  };
  std::vector<Eigen::Matrix2Xd> found;
  std::vector<Eigen::Matrix2Xd> truth;
  for (int frame = 0; frame < kPullFrames; ++frame) {
    const StationAt state = state_at(frame / (kPullFrames - 1.0));
    const auto at = lens->at({.focal_mm = state.focal_mm, .focus_m = state.focus_m});
    REQUIRE(at);
    found.push_back(places(at->lens));
    truth.push_back(places(true_zoom(state.focal_mm, state.focus_m)));
  }
  const auto largest = [](const Eigen::Matrix2Xd& moves) {
    return moves.colwise().norm().maxCoeff();
  };
  Pull pull;
  for (std::size_t i = 1; i + 1 < found.size(); ++i) {
    const Eigen::Matrix2Xd second = found[i + 1] - 2.0 * found[i] + found[i - 1];
    const Eigen::Matrix2Xd true_second = truth[i + 1] - 2.0 * truth[i] + truth[i - 1];
    pull.step_px = std::max(pull.step_px, largest(found[i + 1] - found[i]));
    pull.second_px = std::max(pull.second_px, largest(second));
    pull.true_second_px = std::max(pull.true_second_px, largest(true_second));
    pull.error_second_px = std::max(pull.error_second_px, largest(second - true_second));
  }
  return pull;
}

void print_pull(const char* what, const Pull& pull) {
  fmt::print(
      "{}: largest move {:.4f} px a frame, largest second difference {:.5f} px (of the true "
      "lens {:.5f}, of the error {:.5f})\n",
      what,
      pull.step_px,
      pull.second_px,
      pull.true_second_px,
      pull.error_second_px);
}

}  // namespace

TEST_CASE("a focus pull of 100 frames has no step") {
  // Through the middle stations and to infinity.
  const Pull pull = pulled([](double share) -> StationAt { return {35.0, 0.62 / (1.0 - share)}; });
  print_pull("focus pull", pull);
  CHECK(pull.second_px < 0.01);
}

TEST_CASE("a slow zoom across a station has no step") {
  const Pull pull = pulled([](double share) -> StationAt { return {41.0 + 2.0 * share, 1.2}; });
  print_pull("slow zoom", pull);
  CHECK(pull.error_second_px < 0.01);
}

}  // namespace trueplate::tests
