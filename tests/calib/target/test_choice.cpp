// A shoot as a hand holds the board: still stretches, sweeps between them, some frames out of
// focus. What is still, sharp and new is known from the script, and the choice has to find it.

#include "calib/target/choice.h"

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <set>

using namespace trueplate;
using namespace trueplate::target;

namespace {

constexpr ImageSize kPlate{1920, 1080};

struct BoardPose {
  double x = 0.0;  // of the board's middle, mm
  double y = 0.0;
  double z = 900.0;
  double tilt_x_deg = 0.0;
  double tilt_y_deg = 0.0;
  double roll_deg = 0.0;
};

BoardPose between(const BoardPose& a, const BoardPose& b, double t) {
  const auto mix = [t](double p, double q) { return p + t * (q - p); };
  return {mix(a.x, b.x),
          mix(a.y, b.y),
          mix(a.z, b.z),
          mix(a.tilt_x_deg, b.tilt_x_deg),
          mix(a.tilt_y_deg, b.tilt_y_deg),
          mix(a.roll_deg, b.roll_deg)};
}

/// The corners of a 13x8 board of 25 mm that lie on the plate, through a pinhole of 1500 px.
View view_at(const BoardPose& pose, const std::string& name) {
  constexpr double kRad = std::numbers::pi / 180.0;
  const Eigen::Matrix3d rotation =
      (Eigen::AngleAxisd(pose.tilt_y_deg * kRad, Eigen::Vector3d::UnitY()) *
       Eigen::AngleAxisd(pose.tilt_x_deg * kRad, Eigen::Vector3d::UnitX()) *
       Eigen::AngleAxisd(pose.roll_deg * kRad, Eigen::Vector3d::UnitZ()))
          .toRotationMatrix();
  View view{name, kPlate, {}};
  for (int row = 0; row < 8; ++row) {
    for (int column = 0; column < 13; ++column) {
      const Eigen::Vector3d p_chart(25.0 * column, 25.0 * row, 0.0);
      const Eigen::Vector3d p = rotation * (p_chart - Eigen::Vector3d(150.0, 87.5, 0.0)) +
                                Eigen::Vector3d(pose.x, pose.y, pose.z);
      const Point2d px = 1500.0 * p.head<2>() / p.z() + Point2d(960.0, 540.0);
      if (px.x() < 0.0 || px.y() < 0.0 || px.x() >= 1920.0 || px.y() >= 1080.0) continue;
      view.corners.push_back({.p_chart_mm = p_chart, .p_plate_px = px});
    }
  }
  return view;
}

struct Shoot {
  std::vector<Candidate> candidates;
  std::vector<int> station;  // of each frame; -1 in a sweep
  std::set<int> blurred;     // frames
};

/// `stations` poses held for `held` frames each (a hand shakes by 0.3 px), sweeps of 12 frames
/// between them.
Shoot make_shoot(int stations, int held, unsigned seed) {
  std::mt19937 random(seed);
  MESSAGE("seed ", seed);
  std::uniform_real_distribution<double> even(-1.0, 1.0);
  std::normal_distribution<double> shake(0.0, 0.15);
  std::vector<BoardPose> poses;
  for (int i = 0; i < stations; ++i) {
    const double z = 700.0 + 250.0 * (even(random) + 1.0);
    poses.push_back({0.35 * z * even(random),
                     0.2 * z * even(random),
                     z,
                     35.0 * even(random),
                     35.0 * even(random),
                     20.0 * even(random)});
  }
  Shoot shoot;
  const auto add = [&](const BoardPose& pose, int station) {
    const int number = static_cast<int>(shoot.candidates.size()) + 1;
    BoardPose shaken = pose;
    shaken.x += shake(random);
    shaken.y += shake(random);
    Candidate candidate{view_at(shaken, "clip.mov#" + std::to_string(number)), number, 0.8};
    // Every eleventh frame has lost its focus.
    if (number % 11 == 0) {
      candidate.blur_px = 2.0;
      shoot.blurred.insert(number - 1);
    }
    shoot.candidates.push_back(std::move(candidate));
    shoot.station.push_back(station);
  };
  for (int i = 0; i < stations; ++i) {
    for (int k = 0; k < held; ++k) add(poses[static_cast<std::size_t>(i)], i);
    if (i + 1 == stations) break;
    for (int k = 1; k <= 12; ++k) {
      add(between(
              poses[static_cast<std::size_t>(i)], poses[static_cast<std::size_t>(i) + 1], k / 13.0),
          -1);
    }
  }
  return shoot;
}

}  // namespace

TEST_CASE("of a long shoot, each still pose once, none blurred, none from the sweeps") {
  const Shoot shoot = make_shoot(40, 30, 11);
  REQUIRE(shoot.candidates.size() > 1500);
  const auto choice = choose_views(shoot.candidates, {.most_views = 60});
  std::vector<int> taken(40, 0);
  int num_chosen = 0;
  int from_sweeps = 0;
  for (std::size_t i = 0; i < choice.size(); ++i) {
    CHECK(choice[i].chosen == choice[i].reason.empty());
    if (!choice[i].chosen) continue;
    ++num_chosen;
    CHECK_FALSE(shoot.blurred.contains(static_cast<int>(i)));
    if (shoot.station[i] < 0) {
      ++from_sweeps;
    } else {
      ++taken[static_cast<std::size_t>(shoot.station[i])];
    }
  }
  CHECK(num_chosen <= 60);
  CHECK(from_sweeps == 0);
  int missing = 0;
  for (const int count : taken) {
    CHECK(count <= 1);
    if (count == 0) ++missing;
  }
  CHECK(missing == 0);
}

TEST_CASE("with room for fewer than the poses, the plate stays covered") {
  const Shoot shoot = make_shoot(120, 8, 12);
  const auto choice = choose_views(shoot.candidates, {.most_views = 25});
  const auto cells_of = [](const View& view) {
    std::set<int> cells;
    for (const Corner& corner : view.corners) {
      cells.insert(static_cast<int>(corner.p_plate_px.y() / 135.0) * 12 +
                   static_cast<int>(corner.p_plate_px.x() / 160.0));
    }
    return cells;
  };
  std::set<int> all;
  std::set<int> chosen;
  int num_chosen = 0;
  for (std::size_t i = 0; i < choice.size(); ++i) {
    const std::set<int> cells = cells_of(shoot.candidates[i].view);
    if (shoot.station[i] >= 0) all.insert(cells.begin(), cells.end());
    if (!choice[i].chosen) continue;
    chosen.insert(cells.begin(), cells.end());
    ++num_chosen;
  }
  CHECK(num_chosen == 25);
  CHECK(static_cast<double>(chosen.size()) >= 0.97 * static_cast<double>(all.size()));
}

TEST_CASE("a board that stands still all the time is one view") {
  const Shoot shoot = make_shoot(1, 500, 13);
  const auto choice = choose_views(shoot.candidates);
  int num_chosen = 0;
  for (const ChoiceResult& result : choice) num_chosen += result.chosen ? 1 : 0;
  CHECK(num_chosen <= 2);
}

TEST_CASE("a set with flaws is better than none; frames without corners are passed over") {
  Shoot shoot = make_shoot(12, 1, 14);
  // Nothing but sweeps.
  std::vector<Candidate> moving;
  for (std::size_t i = 0; i < shoot.candidates.size(); ++i) {
    if (shoot.station[i] < 0) moving.push_back(shoot.candidates[i]);
  }
  moving.push_back({{"empty", kPlate, {}}, std::nullopt, 1.0});
  const auto choice = choose_views(moving, {.most_views = 30});
  int num_chosen = 0;
  for (const ChoiceResult& result : choice) num_chosen += result.chosen ? 1 : 0;
  CHECK(num_chosen == 30);
  CHECK_FALSE(choice.back().chosen);
  CHECK(choice.back().reason.empty());
  CHECK(choose_views({}).empty());
}

TEST_CASE("the same answer every time, and with corners that are all on one line") {
  const Shoot shoot = make_shoot(20, 10, 15);
  const auto first = choose_views(shoot.candidates, {.most_views = 15});
  const auto second = choose_views(shoot.candidates, {.most_views = 15});
  for (std::size_t i = 0; i < first.size(); ++i) {
    CHECK(first[i].chosen == second[i].chosen);
    CHECK(first[i].reason == second[i].reason);
  }
  std::vector<Candidate> lines;
  for (int i = 0; i < 70; ++i) {
    Candidate candidate{{"line", kPlate, {}}, i, 1.0};
    for (int k = 0; k < 5; ++k) {
      candidate.view.corners.push_back(
          {.p_chart_mm = {25.0 * k, 0.0, 0.0}, .p_plate_px = {100.0 + 40.0 * k + i, 300.0}});
    }
    lines.push_back(candidate);
  }
  CHECK(choose_views(lines, {.most_views = 10}).size() == 70);
}

TEST_CASE("repeats are never fitted, interlaced views only while there are too few others") {
  std::vector<Candidate> candidates;
  const auto add = [&](Fields fields, const std::string& repeats) {
    Candidate candidate{view_at({}, "clip.mov#" + std::to_string(candidates.size())),
                        static_cast<int>(candidates.size()),
                        0.8};
    candidate.fields = fields;
    candidate.repeats = repeats;
    candidates.push_back(std::move(candidate));
  };
  const auto num_sound = [&] {
    const std::vector<std::string> reasons = unsound_views(candidates);
    return std::count(reasons.begin(), reasons.end(), "");
  };
  CHECK(unsound_views({}).empty());
  for (int i = 0; i < 3; ++i) add(Fields::kTwo, "");
  CHECK(num_sound() == 3);
  for (int i = 0; i < 3; ++i) add(Fields::kOne, "clip.mov#0");
  CHECK(num_sound() == 3);
  CHECK(unsound_views(candidates)[4].find("clip.mov#0") != std::string::npos);
  for (int i = 0; i < kFewestSoundViews; ++i) add(Fields::kStill, "");
  CHECK(num_sound() == kFewestSoundViews);
  CHECK(unsound_views(candidates)[0].find("interlaced") != std::string::npos);
  for (int i = 0; i < kFewestSoundViews - 1; ++i) add(Fields::kOne, "");
  CHECK(num_sound() == 2 * kFewestSoundViews - 1);
  add(Fields::kOne, "");
  CHECK(num_sound() == kFewestSoundViews);
  candidates[3].view.corners.clear();
  CHECK(unsound_views(candidates)[3].empty());
}
