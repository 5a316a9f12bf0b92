// Lattices with and without a seam. Positions come from the chart renderer's own projection.

#include "calib/target/detail/seams.h"

#include <doctest/doctest.h>

#include <functional>
#include <random>

#include "tests/support/chart_render.h"

using trueplate::Point2d;
using namespace trueplate::target::detail;
using trueplate::tests::ChartScene;
using trueplate::tests::image_of;

namespace {

constexpr double kNoisePx = 0.05;

Lattice lattice_of(const ChartScene& scene,
                   const std::function<Point2d(int column, int row)>& printed_at) {
  std::mt19937 random(3);
  std::normal_distribution<double> noise(0.0, kNoisePx);
  Lattice lattice;
  for (int row = 0; row < scene.rows; ++row)
    for (int column = 0; column < scene.columns; ++column) {
      Node node;
      node.p_px = image_of(scene, printed_at(column, row)) + Point2d(noise(random), noise(random));
      lattice.set({column, row}, node);
    }
  return lattice;
}

Lattice even(const ChartScene& scene) {
  return lattice_of(scene, [](int column, int row) { return Point2d(column, row); });
}

// From column 5 on moved by (along, across) of a step.
Lattice with_seam(const ChartScene& scene, double along, double across) {
  return lattice_of(scene, [=](int column, int row) {
    const double beyond = column >= 5 ? 1.0 : 0.0;
    return Point2d(column + along * beyond, row + across * beyond);
  });
}

ChartScene tilted() {
  ChartScene scene;
  scene.columns = 9;
  scene.rows = 6;
  scene.pose.square_px = 60.0;
  scene.pose.tilt_y_deg = 40.0;
  scene.pose.roll_deg = 20.0;
  return scene;
}

}  // namespace

TEST_CASE("perspective and distortion are no seams") {
  for (const double tilt : {0.0, 30.0, 50.0}) {
    for (const double roll : {0.0, 35.0}) {
      for (const double k1 : {-0.3, 0.0, 0.1}) {
        CAPTURE(tilt);
        CAPTURE(roll);
        CAPTURE(k1);
        ChartScene scene = tilted();
        scene.pose.tilt_x_deg = tilt;
        scene.pose.tilt_y_deg = 0.5 * tilt;
        scene.pose.roll_deg = roll;
        scene.k1 = k1;
        const EvenParts parts = cut_at_seams(even(scene));
        CHECK(parts.others.empty());
        CHECK(parts.largest.size() == 54);
      }
    }
  }
}

TEST_CASE("a print that was cut and put together, or two, are cut there") {
  for (const Point2d& gap :
       {Point2d(0.12, 0.0), Point2d(-0.12, 0.0), Point2d(0.0, 0.15), Point2d(1.0, 0.0)}) {
    CAPTURE(gap.x());
    CAPTURE(gap.y());
    const EvenParts parts = cut_at_seams(with_seam(tilted(), gap.x(), gap.y()));
    REQUIRE(parts.others.size() == 1);
    CHECK(parts.largest.size() == 30);
    CHECK(parts.others.front().size() == 24);
    CHECK(parts.largest.find({4, 0}) != nullptr);
    CHECK(parts.largest.find({5, 0}) == nullptr);
  }
}

TEST_CASE("a last column beyond a skipped one is cut off") {
  ChartScene scene = tilted();
  scene.columns = 6;
  const EvenParts parts = cut_at_seams(with_seam(scene, 1.0, 0.0));
  REQUIRE(parts.others.size() == 1);
  CHECK(parts.others.front().size() == 6);
}

TEST_CASE("single displaced nodes, holes and lattices too small to tell are left alone") {
  Lattice lattice = even(tilted());
  Node node = *lattice.find({4, 3});
  node.p_px += Point2d(9.0, 0.0);
  lattice.set({4, 3}, node);
  lattice.erase({2, 2});
  lattice.erase({6, 1});
  CHECK(cut_at_seams(lattice).others.empty());

  CHECK(cut_at_seams(Lattice{}).largest.size() == 0);
  Lattice square;
  for (int i = 0; i < 4; ++i) square.set({i % 2, i / 2}, *lattice.find({i % 2, i / 2}));
  CHECK(cut_at_seams(square).largest.size() == 4);
}
