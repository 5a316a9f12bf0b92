// Motion vectors, on a scene whose passes are known exactly (tests/support/pass_scene.h): rendered
// straight, bent by a redistort map, and compared with the scene seen through the lens. The truth
// is geometry; the lens equations are those under test elsewhere.

#include "warp/passes.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "tests/support/pass_scene.h"
#include "tests/warp/straight_passes.h"
#include "tests/warp/support.h"
#include "warp/st_map.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;

TEST_CASE(
    "motion vectors point to where the lens shows the thing in the next frame, within 0.02 px") {
  const PassScene scene = make_pass_scene(kSize);
  const lens::Lens lens = barrel();
  for (const MotionY direction : {MotionY::kUp, MotionY::kDown}) {
    const double sign = direction == MotionY::kDown ? 1.0 : -1.0;
    const Straight straight = render_straight(4, [&](const Point2d& p_px, float* pixel) {
      const Point2d motion = scene.in_next_frame(p_px) - p_px;
      pixel[0] = static_cast<float>(motion.x());
      pixel[1] = static_cast<float>(sign * motion.y());
      // Backward: taken as the opposite of the forward one; only its treatment is tested.
      pixel[2] = -pixel[0];
      pixel[3] = -pixel[1];
    });
    const StMap map = bending_map();
    Image<float> bent(kSize.width, kSize.height, 4);
    const std::array<MotionChannels, 2> vectors{{{0, 1}, {2, 3}}};
    REQUIRE(look_up_motion(straight.source(), map, vectors, direction, {}, bent.view()));
    double worst = 0.0, worst_back = 0.0, worst_unturned = 0.0, longest = 0.0;
    int num_edge = 0, num_beyond = 0, num_compared = 0;
    for (int j = 0; j < kSize.height; ++j) {
      for (int i = 0; i < kSize.width; ++i) {
        const Point2d here(i + 0.5, j + 0.5);
        const Point2d place = straight_place(i, j);
        // In a pixel that a silhouette crosses the nearest sample may be the other side's.
        bool edge = false;
        for (int n = 0; n < 9; ++n) {
          edge |= scene.at(place + Point2d(n % 3 - 1, n / 3 - 1) * 0.51).id != scene.at(place).id;
        }
        if (edge || !is_wide(scene, place)) {
          ++num_edge;
          continue;
        }
        const Point2d motion = scene.in_next_frame(place) - place;
        const auto forward = lens::distort_px(lens, place + motion);
        const auto backward = lens::distort_px(lens, place - motion);
        REQUIRE(forward);
        REQUIRE(backward);
        const auto inside = [&](const Point2d& p) {
          return p.x() >= 0.5 && p.x() <= kSize.width - 0.5 && p.y() >= 0.5 &&
                 p.y() <= kSize.height - 0.5;
        };
        const Point2d found(bent.at(i, j, 0), sign * bent.at(i, j, 1));
        const Point2d found_back(bent.at(i, j, 2), sign * bent.at(i, j, 3));
        if (inside(*forward)) {
          ++num_compared;
          worst = std::max(worst, (found - (*forward - here)).norm());
          worst_unturned = std::max(worst_unturned, (motion - (*forward - here)).norm());
          longest = std::max(longest, motion.norm());
        } else {
          ++num_beyond;
          CHECK((found - (*forward - here)).norm() < 1.0);
        }
        if (inside(*backward))
          worst_back = std::max(worst_back, (found_back - (*backward - here)).norm());
      }
    }
    MESSAGE("motion, " << num_compared << " vectors up to " << longest << " px: worst " << worst
                       << " px forward, " << worst_back << " px backward; not turned "
                       << worst_unturned << " px; left out " << num_edge << " at silhouettes, "
                       << num_beyond << " leaving the map");
    CHECK(worst < 0.02);
    CHECK(worst_back < 0.02);
    CHECK(worst_unturned > 0.5);
    CHECK(longest > 8.0);
  }
}

TEST_CASE("vectors across the whole plate are right where they end on it, whatever their length") {
  const lens::Lens lens = barrel();
  const StMap map = bending_map();
  const std::array<MotionChannels, 1> vectors{{{0, 1}}};
  for (const Point2d& motion :
       {Point2d(60.0, 45.0), Point2d(-150.0, 90.0), Point2d(180.0, 150.0)}) {
    const Straight straight = render_straight(2, [&](const Point2d&, float* pixel) {
      pixel[0] = static_cast<float>(motion.x());
      pixel[1] = static_cast<float>(motion.y());
    });
    Image<float> bent(kSize.width, kSize.height, 2);
    REQUIRE(look_up_motion(straight.source(), map, vectors, MotionY::kDown, {}, bent.view()));
    double worst = 0.0;
    int num_compared = 0;
    for (int j = 0; j < kSize.height; ++j) {
      for (int i = 0; i < kSize.width; ++i) {
        const auto there = lens::distort_px(lens, straight_place(i, j) + motion);
        if (!there || (*there - Point2d(0.5, 0.5)).minCoeff() < 0.0 ||
            there->x() > kSize.width - 0.5 || there->y() > kSize.height - 0.5) {
          continue;
        }
        ++num_compared;
        const Point2d found(bent.at(i, j, 0), bent.at(i, j, 1));
        worst = std::max(worst, (found - (*there - Point2d(i + 0.5, j + 0.5))).norm());
      }
    }
    MESSAGE(num_compared << " vectors of " << motion.norm() << " px: worst " << worst << " px");
    CHECK(num_compared > 1000);
    CHECK(worst < 0.02);
  }
}

TEST_CASE("vectors that end off the plate are right wherever the lens sees it") {
  const lens::Lens lens = barrel();
  const StMap map = bending_map();
  const std::array<MotionChannels, 1> vectors{{{0, 1}}};
  const auto place = [&](const Point2d& p_px) { return lens::distort_px(lens, p_px); };
  double worst = 0.0;
  double worst_by_slopes = 0.0;
  int num_beyond = 0;
  for (const Point2d& motion : {Point2d(47.0, 0.0), Point2d(-33.0, 33.0), Point2d(20.0, -60.0)}) {
    const Straight straight = render_straight(2, [&](const Point2d&, float* pixel) {
      pixel[0] = static_cast<float>(motion.x());
      pixel[1] = static_cast<float>(motion.y());
    });
    const auto look_up = [&](const OutputPlace& output_place) {
      Image<float> bent(kSize.width, kSize.height, 2);
      REQUIRE(look_up_motion(straight.source(),
                             map,
                             vectors,
                             MotionY::kDown,
                             {.output_place = output_place},
                             bent.view()));
      return bent;
    };
    const Image<float> by_lens = look_up(place);
    const Image<float> by_slopes = look_up({});
    for (int j = 0; j < kSize.height; ++j) {
      for (int i = 0; i < kSize.width; ++i) {
        const auto there = lens::distort_px(lens, straight_place(i, j) + motion);
        if (!there) continue;
        const Point2d truth = *there - Point2d(i + 0.5, j + 0.5);
        const auto error = [&](const Image<float>& found) {
          return (Point2d(found.at(i, j, 0), found.at(i, j, 1)) - truth).norm();
        };
        worst = std::max(worst, error(by_lens));
        worst_by_slopes = std::max(worst_by_slopes, error(by_slopes));
        num_beyond += there->x() > kSize.width || there->x() < 0.0 || there->y() < 0.0 ? 1 : 0;
      }
    }
  }
  MESSAGE(num_beyond << " vectors of 47 to 63 px end off the plate: worst " << worst
                     << " px, by the slopes of the edge " << worst_by_slopes << " px");
  CHECK(num_beyond > 1000);
  CHECK(worst < 0.02);
  CHECK(worst_by_slopes > 0.5);
}

TEST_CASE("zero motion stays zero; unknown motion stays unknown; a flat map turns nothing") {
  Straight straight = render_straight(2, [](const Point2d& p_px, float* pixel) {
    pixel[0] = p_px.x() < 100.0 ? 0.0F : p_px.x() < 200.0 ? kNan : kInf;
    pixel[1] = 0.0F;
  });
  const StMap map = bending_map();
  Image<float> bent(kSize.width, kSize.height, 2);
  const std::array<MotionChannels, 1> vectors{{{0, 1}}};
  REQUIRE(look_up_motion(straight.source(), map, vectors, MotionY::kUp, {}, bent.view()));
  CHECK(bent.at(20, 100, 0) == 0.0F);
  CHECK(bent.at(20, 100, 1) == 0.0F);
  CHECK(std::isnan(bent.at(150, 100, 0)));
  CHECK(std::isinf(bent.at(300, 100, 0)));

  StMap flat = bending_map();
  flat.st.fill(0.25F);
  straight.pixels.fill(2.0F);
  REQUIRE(look_up_motion(straight.source(), flat, vectors, MotionY::kUp, {}, bent.view()));
  for (std::size_t i = 0; i < bent.size(); ++i) REQUIRE(bent.data()[i] == 2.0F);
  // Vectors longer than anything, on a real map: finite, and no crash.
  straight.pixels.fill(1e30F);
  REQUIRE(look_up_motion(straight.source(), map, vectors, MotionY::kUp, {}, bent.view()));
}

TEST_CASE("words for directions") {
  CHECK(*parse_motion_y("up") == MotionY::kUp);
  CHECK(*parse_motion_y(" down ") == MotionY::kDown);
  CHECK_FALSE(parse_motion_y("sideways"));
}
