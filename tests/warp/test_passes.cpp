// What is no colour, on a scene whose passes are known exactly (tests/support/pass_scene.h):
// rendered straight, bent by a redistort map, and compared with the scene seen through the lens.
// The truth is geometry; the lens equations are those under test elsewhere.

#include "warp/passes.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <set>
#include <span>
#include <utility>
#include <vector>

#include "tests/support/pass_scene.h"
#include "tests/warp/straight_passes.h"
#include "tests/warp/support.h"
#include "warp/st_map.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;

namespace {

/// Which cards are in sight within half a pixel of a place: more than one at a silhouette.
std::array<bool, 4> cards_in_sight(const PassScene& scene, const Point2d& place) {
  std::array<bool, 4> in_sight{};
  for (int n = 0; n < 81; ++n) {
    const int card = scene.at(place + Point2d(n % 9 - 4, n / 9 - 4) * 0.127).card;
    in_sight.at(static_cast<std::size_t>(card)) = true;
  }
  return in_sight;
}

}  // namespace

TEST_CASE("IDs: those of the scene and no other, each where the scene has it") {
  const PassScene scene = make_pass_scene(kSize);
  const Straight straight = render_straight(1, [&](const Point2d& p_px, float* pixel) {
    *pixel = std::bit_cast<float>(scene.at(p_px).id);
  });
  const StMap map = bending_map();
  Image<float> bent(kSize.width, kSize.height, 1);
  const std::array channels{0};
  REQUIRE(look_up_nearest(straight.source(), map, channels, {}, bent.view()));
  std::set<std::uint32_t> in, out;
  for (std::size_t i = 0; i < straight.pixels.size(); ++i) {
    in.insert(std::bit_cast<std::uint32_t>(straight.pixels.data()[i]));
  }
  int num_other = 0, num_far = 0;
  for (int j = 0; j < kSize.height; ++j) {
    for (int i = 0; i < kSize.width; ++i) {
      const auto id = std::bit_cast<std::uint32_t>(bent.at(i, j));
      out.insert(id);
      const Point2d place = straight_place(i, j);
      if (id == scene.at(place).id) continue;
      ++num_other;
      // Only within the pixel that a silhouette crosses.
      const std::array<bool, 4> in_sight = cards_in_sight(scene, place);
      bool near = false;
      for (std::size_t card = 0; card < 4; ++card) {
        near |= in_sight[card] && id == scene.cards[card].id;
      }
      num_far += near ? 0 : 1;
    }
  }
  CHECK(in.size() == 4);
  CHECK(in == out);
  CHECK(num_far == 0);
  MESSAGE("IDs: " << num_other << " of " << kSize.width * kSize.height
                  << " pixels show the other side of a silhouette that crosses them");
  CHECK(num_other < 0.01 * kSize.width * kSize.height);
}

TEST_CASE("depth and position: every value lies on a surface, none between; normals stay whole") {
  const PassScene scene = make_pass_scene(kSize);
  const Straight straight = render_straight(7, [&](const Point2d& p_px, float* pixel) {
    const PassSample sample = scene.at(p_px);
    pixel[0] = static_cast<float>(sample.depth);
    for (int c = 0; c < 3; ++c) {
      pixel[1 + c] = static_cast<float>(sample.normal[c]);
      pixel[4 + c] = static_cast<float>(sample.position[c]);
    }
  });
  const StMap map = bending_map();
  Image<float> bent(kSize.width, kSize.height, 7), nearest(kSize.width, kSize.height, 7);
  const std::array channels{0, 1, 2, 3, 4, 5, 6};
  const std::span<const int> all(channels);
  REQUIRE(look_up_surface(straight.source(), map, all.subspan(0, 1), {}, bent.view()));
  REQUIRE(look_up_surface(straight.source(), map, all.subspan(1, 3), {}, bent.view()));
  REQUIRE(look_up_surface(straight.source(), map, all.subspan(4, 3), {}, bent.view()));
  REQUIRE(look_up_nearest(straight.source(), map, channels, {}, nearest.view()));
  const Result<Image<float>> filtered = resample(straight.source(), map);
  REQUIRE(filtered);
  // Share of the depth by which a value is off the nearest of the surfaces in sight there.
  double worst = 0.0, worst_nearest = 0.0, worst_filtered = 0.0, worst_normal = 0.0,
         worst_place = 0.0, worst_depth_of_place = 0.0;
  double worst_sliver = 0.0;
  int num_far = 0;
  for (int j = 0; j < kSize.height; ++j) {
    for (int i = 0; i < kSize.width; ++i) {
      const Point2d place = straight_place(i, j);
      const std::array<bool, 4> in_sight = cards_in_sight(scene, place);
      const auto off = [&](float depth) {
        double least = 1.0;
        for (int card = 0; card < 4; ++card) {
          if (!in_sight.at(static_cast<std::size_t>(card))) continue;
          const double truth = scene.plane_depth(card, place);
          least = std::min(least, std::abs(depth - truth) / truth);
        }
        return least;
      };
      const bool wide = is_wide(scene, place);
      if (wide) worst = std::max(worst, off(bent.at(i, j, 0)));
      worst_sliver = std::max(worst_sliver, off(bent.at(i, j, 0)));
      worst_nearest = std::max(worst_nearest, off(nearest.at(i, j, 0)));
      worst_filtered = std::max(worst_filtered, off(filtered->at(i, j, 0)));
      double least = 1.0;
      for (std::size_t card = 0; card < 4; ++card) {
        if (!in_sight[card]) continue;
        const Eigen::Vector3d normal(bent.at(i, j, 1), bent.at(i, j, 2), bent.at(i, j, 3));
        least = std::min(least, (normal - scene.cards[card].normal).norm());
      }
      worst_normal = std::max(worst_normal, least);
      // A position projects to where it is seen.
      const double x = bent.at(i, j, 4), y = bent.at(i, j, 5), z = bent.at(i, j, 6);
      const Point2d seen(scene.focal_px * x / z + 0.5 * kSize.width,
                         scene.focal_px * y / z + 0.5 * kSize.height);
      const double miss = (seen - place).norm();
      num_far += miss > 0.02 ? 1 : 0;
      worst_depth_of_place = std::max(worst_depth_of_place, off(static_cast<float>(z)));
      if (wide) worst_place = std::max(worst_place, miss);
    }
  }
  MESSAGE("depth off all surfaces, worst: surface " << worst << ", in slivers " << worst_sliver
                                                    << ", nearest " << worst_nearest << ", cubic "
                                                    << worst_filtered);
  MESSAGE("normal: worst " << worst_normal << ", z of the position off the surfaces in sight: "
                           << worst_depth_of_place);
  MESSAGE("position: worst " << worst_place << " px, beyond 0.02 px in " << num_far
                             << " pixels of slivers");
  CHECK(worst < 1e-5);
  CHECK(worst_sliver < 2e-3);
  CHECK(worst_normal < 1e-6);
  CHECK(worst_depth_of_place < 2e-3);
  CHECK(worst_place < 0.02);
  CHECK(num_far < 60);
  CHECK(worst_nearest > 1e-3);   // the check above can fail
  CHECK(worst_filtered > 0.05);  // what mixing would invent
}

TEST_CASE("one pixel beside another surface: the surface's own step, or the sample itself") {
  // Seven samples: a ramp of 1, a jump, a single pixel, a jump back, a constant.
  const std::array<float, 12> row{1, 2, 3, 4, 50, 9, 9, 9, kInf, kInf, kNan, 7};
  Straight straight{Image<float>(12, 1, 1), {{0, 0, 12, 1}, {0, 0, 12, 1}}};
  std::copy(row.begin(), row.end(), straight.pixels.data());
  const auto value = [&](double x) {
    StMap map;
    map.st = Image<float>(1, 1, 2);
    map.st.at(0, 0, 0) = static_cast<float>(x / 12.0);
    map.st.at(0, 0, 1) = 0.5F;
    map.output = {{0, 0, 1, 1}, {0, 0, 1, 1}};
    map.source_display = {0, 0, 12, 1};
    Image<float> out(1, 1, 1);
    const std::array channels{0};
    REQUIRE(look_up_surface(straight.source(), map, channels, {}, out.view()));
    return out.at(0, 0);
  };
  CHECK(value(0.5) == doctest::Approx(1.0));
  CHECK(value(0.9) == doctest::Approx(1.4));  // towards a neighbour that a third confirms
  CHECK(value(2.1) == doctest::Approx(2.6));
  CHECK(value(3.9) == doctest::Approx(4.4));  // towards the jump: on by the ramp's own step
  CHECK(value(4.2) == 50.0F);                 // one pixel wide
  CHECK(value(4.8) == 50.0F);
  CHECK(value(5.2) == 9.0F);
  CHECK(value(7.9) == 9.0F);  // beside infinity
  CHECK(std::isinf(value(8.3)));
  CHECK(std::isnan(value(10.4)));
  CHECK(value(11.3) == 7.0F);
  CHECK(value(-0.1) == 0.0F);  // no pixel
  CHECK(value(12.2) == 0.0F);
  CHECK(value(kNan) == 0.0F);
}

TEST_CASE(
    "NaN touches only what its own pixel touches; edges; any number of threads; other channels") {
  Straight straight = render_straight(3, [](const Point2d& p_px, float* pixel) {
    pixel[0] = static_cast<float>(p_px.x());
    pixel[1] = static_cast<float>(p_px.y());
    pixel[2] = 1.0F;
  });
  straight.pixels.at(100, 90, 0) = kNan;
  const StMap map = bending_map();
  Image<float> out(kSize.width, kSize.height, 3);
  out.fill(-7.0F);
  const std::array channels{0};
  REQUIRE(look_up_surface(straight.source(), map, channels, {.threads = 1}, out.view()));
  int num_nan = 0;
  for (int j = 0; j < kSize.height; ++j) {
    for (int i = 0; i < kSize.width; ++i) {
      num_nan += std::isnan(out.at(i, j, 0)) ? 1 : 0;
      REQUIRE(out.at(i, j, 1) == -7.0F);
      REQUIRE(out.at(i, j, 2) == -7.0F);
    }
  }
  CHECK(num_nan >= 1);
  CHECK(num_nan <= 4);
  const std::array all{0, 1, 2};
  const std::array<MotionChannels, 1> vectors{{{0, 1}}};
  for (const Edge edge : {Edge::kBlack, Edge::kHold, Edge::kMirror}) {
    std::vector<Image<float>> results;
    for (const int threads : {1, 5}) {
      const PassOptions how{.edge = edge, .threads = threads};
      Image<float> a(kSize.width, kSize.height, 3), b(kSize.width, kSize.height, 3),
          c(kSize.width, kSize.height, 3);
      c.fill(0.0F);
      REQUIRE(look_up_nearest(straight.source(), map, all, how, a.view()));
      REQUIRE(look_up_surface(straight.source(), map, all, how, b.view()));
      REQUIRE(look_up_motion(straight.source(), map, vectors, MotionY::kUp, how, c.view()));
      results.push_back(std::move(a));
      results.push_back(std::move(b));
      results.push_back(std::move(c));
    }
    for (int i = 0; i < 3; ++i)
      CHECK(same_bits(results[static_cast<std::size_t>(i)],
                      results[static_cast<std::size_t>(i) + 3]));
  }
  // Beyond the picture: nothing, the last pixel, or the picture turned over.
  Straight small{Image<float>(4, 1, 1), {{0, 0, 4, 1}, {0, 0, 4, 1}}};
  for (int i = 0; i < 4; ++i) small.pixels.at(i, 0) = static_cast<float>(10 + i);
  StMap beyond;
  beyond.st = Image<float>(1, 1, 2);
  beyond.st.at(0, 0, 0) = 5.5F / 4.0F;
  beyond.st.at(0, 0, 1) = 0.5F;
  beyond.output = {{0, 0, 1, 1}, {0, 0, 1, 1}};
  beyond.source_display = {0, 0, 4, 1};
  const auto value = [&](Edge edge) {
    Image<float> one(1, 1, 1);
    REQUIRE(look_up_nearest(small.source(), beyond, channels, {.edge = edge}, one.view()));
    return one.at(0, 0);
  };
  CHECK(value(Edge::kBlack) == 0.0F);
  CHECK(value(Edge::kHold) == 13.0F);
  CHECK(value(Edge::kMirror) == 12.0F);

  // Wrong sizes are refused.
  Image<float> wrong(3, 3, 3);
  CHECK_FALSE(look_up_nearest(straight.source(), map, all, {}, wrong.view()));
  CHECK_FALSE(look_up_surface(straight.source(), StMap{}, all, {}, wrong.view()));
}
