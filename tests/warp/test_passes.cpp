// What is no colour, on a scene whose passes are known exactly (tests/support/pass_scene.h):
// rendered straight, bent by a redistort map, and compared with the scene seen through the lens.
// The truth is geometry; the lens equations are those under test elsewhere.

#include "warp/passes.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstring>
#include <limits>
#include <set>
#include <span>
#include <vector>

#include "tests/support/pass_scene.h"
#include "tests/warp/support.h"
#include "warp/st_map.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::make_lens;
using trueplate::tests::make_pass_scene;
using trueplate::tests::PassSample;
using trueplate::tests::PassScene;

namespace {

constexpr ImageSize kSize{320, 240};
constexpr EdgePixels kOverscan{40, 32, 40, 32};
// A strong barrel: the plate's corner lies 23 px from its straight place.
constexpr std::array kBarrel{-0.25, 0.06, 0.002, -0.003, 0.0};
constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
constexpr float kInf = std::numeric_limits<float>::infinity();

lens::Lens barrel() { return make_lens(kSize, 0.9 * kSize.width, kBarrel, {3.0, -2.0}); }

/// A straight picture of channels made by render(p_px, pixel), with overscan.
struct Straight {
  Image<float> pixels;
  FrameWindows windows;

  [[nodiscard]] SourcePicture source() const { return {pixels.view(), windows}; }
  [[nodiscard]] Point2d position(int i, int j) const {
    return {windows.data.x + i + 0.5, windows.data.y + j + 0.5};
  }
};

template <class Render>
Straight render_straight(int channels, const Render& render) {
  const Window display{0, 0, kSize.width, kSize.height};
  Straight straight{{}, {display, data_window(display, kOverscan)}};
  const Window& data = straight.windows.data;
  straight.pixels = Image<float>(data.width, data.height, channels);
  for (int j = 0; j < data.height; ++j) {
    for (int i = 0; i < data.width; ++i) {
      render(straight.position(i, j), &straight.pixels.at(i, j));
    }
  }
  return straight;
}

StMap bending_map() {
  Result<StMap> map = make_redistort_map(barrel());
  REQUIRE(map);
  return std::move(*map);
}

Point2d straight_place(int i, int j) {
  const auto place = lens::undistort_px(barrel(), {i + 0.5, j + 0.5});
  REQUIRE(place);
  return *place;
}

/// Whether what is seen at a place goes on for three pixels in some direction of x and of y: in a
/// narrower sliver of a surface there is nothing to go on by.
bool is_wide(const PassScene& scene, const Point2d& place) {
  const std::uint32_t id = scene.at(place).id;
  const auto goes_on = [&](const Point2d& step) {
    for (const double far : {0.75, 1.5, 2.5, 3.5}) {
      if (scene.at(place + far * step).id != id) return false;
    }
    return true;
  };
  return (goes_on({1, 0}) || goes_on({-1, 0})) && (goes_on({0, 1}) || goes_on({0, -1}));
}

bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
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
      bool near = false;
      for (int n = 0; n < 81; ++n) {
        near |= id == scene.at(place + Point2d(n % 9 - 4, n / 9 - 4) * 0.127).id;
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
  // Share of the depth by which a value is off the nearest of the scene's surfaces.
  double worst = 0.0, worst_nearest = 0.0, worst_filtered = 0.0, worst_normal = 0.0,
         worst_place = 0.0;
  double worst_sliver = 0.0;
  int num_far = 0;
  for (int j = 0; j < kSize.height; ++j) {
    for (int i = 0; i < kSize.width; ++i) {
      const Point2d place = straight_place(i, j);
      const auto off = [&](float depth) {
        double least = 1.0;
        for (int card = 0; card < 4; ++card) {
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
      for (const auto& card : scene.cards) {
        const Eigen::Vector3d normal(bent.at(i, j, 1), bent.at(i, j, 2), bent.at(i, j, 3));
        least = std::min(least, (normal - card.normal).norm());
      }
      worst_normal = std::max(worst_normal, least);
      // A position projects to where it is seen.
      const double x = bent.at(i, j, 4), y = bent.at(i, j, 5), z = bent.at(i, j, 6);
      const Point2d seen(scene.focal_px * x / z + 0.5 * kSize.width,
                         scene.focal_px * y / z + 0.5 * kSize.height);
      const double miss = (seen - place).norm();
      num_far += miss > 0.02 ? 1 : 0;
      if (wide) worst_place = std::max(worst_place, miss);
    }
  }
  MESSAGE("depth off all surfaces, worst: surface " << worst << ", in slivers " << worst_sliver
                                                    << ", nearest " << worst_nearest << ", cubic "
                                                    << worst_filtered);
  MESSAGE("position: worst " << worst_place << " px, beyond 0.02 px in " << num_far
                             << " pixels of slivers");
  CHECK(worst < 1e-5);
  CHECK(worst_sliver < 2e-3);
  CHECK(worst_normal < 1e-6);
  CHECK(worst_place < 0.02);
  CHECK(num_far < 60);
  CHECK(worst_nearest > 1e-3);   // the check above can fail
  CHECK(worst_filtered > 0.05);  // what mixing would invent
}

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

TEST_CASE("alpha: edges of the rendered cards are right, and no fringe is bright or dark") {
  const PassScene scene = make_pass_scene(kSize);
  const Eigen::Vector3f colour = scene.cards.front().colour;  // the same of all cards
  const lens::Lens lens = barrel();
  const Straight straight = render_straight(4, [&](const Point2d& p_px, float* pixel) {
    const auto alpha = static_cast<float>(scene.coverage(p_px, [](const Point2d& p) { return p; }));
    for (int c = 0; c < 3; ++c) pixel[c] = colour[c] * alpha;
    pixel[3] = alpha;
  });
  const StMap map = bending_map();
  Image<float> truth(kSize.width, kSize.height, 1);
  for (int j = 0; j < kSize.height; ++j) {
    for (int i = 0; i < kSize.width; ++i) {
      truth.at(i, j) = static_cast<float>(scene.coverage(
          {i + 0.5, j + 0.5}, [&](const Point2d& p) { return *lens::undistort_px(lens, p); }));
    }
  }
  for (const Filter filter : {Filter::kBilinear, Filter::kCubic, Filter::kLanczos, Filter::kArea}) {
    const ResampleOptions how{.filter = filter};
    Result<Image<float>> bent = resample(straight.source(), map, how);
    REQUIRE(bent);
    float before = 0.0F;
    for (std::size_t i = 3; i < bent->size(); i += 4) {
      before = std::max({before, -bent->data()[i], bent->data()[i] - 1.0F});
    }
    const std::array colours{0, 1, 2};
    const std::array alpha{3};
    if (filter != Filter::kBilinear) {
      REQUIRE(limit_with_alpha(straight.source(), map, 3, colours, how, bent->view()));
      REQUIRE(limit_with_alpha(straight.source(), map, 3, alpha, how, bent->view()));
    }
    double fringe = 0.0, worst = 0.0, sum = 0.0, area = 0.0, true_area = 0.0;
    int num_edge = 0;
    for (int j = 0; j < kSize.height; ++j) {
      for (int i = 0; i < kSize.width; ++i) {
        const float a = bent->at(i, j, 3);
        REQUIRE(a >= 0.0F);
        REQUIRE(a <= 1.0F);
        for (int c = 0; c < 3; ++c) {
          fringe = std::max<double>(fringe, std::abs(bent->at(i, j, c) - colour[c] * a));
        }
        const double error = std::abs(a - truth.at(i, j));
        area += a;
        true_area += truth.at(i, j);
        worst = std::max(worst, error);
        if (truth.at(i, j) > 0.0F && truth.at(i, j) < 1.0F) {
          sum += error * error;
          ++num_edge;
        }
      }
    }
    const double rms = std::sqrt(sum / num_edge);
    MESSAGE(to_text(filter) << ": fringe " << fringe << ", alpha at " << num_edge
                            << " edge pixels rms " << rms << ", worst " << worst
                            << ", covered area " << area / true_area
                            << " of the true one; overshoot taken back " << before);
    CHECK(fringe < 2e-6);
    CHECK(area == doctest::Approx(true_area).epsilon(1e-3));
    CHECK(rms < (filter == Filter::kBilinear ? 0.12 : 0.08));
    if (filter == Filter::kCubic || filter == Filter::kLanczos) CHECK(before > 0.02F);
  }
}

TEST_CASE("light without alpha is left alone, and opaque pictures keep their bits") {
  const Straight glow = render_straight(2, [](const Point2d& p_px, float* pixel) {
    pixel[0] =
        static_cast<float>(3.0 * std::exp(-0.01 * (p_px - Point2d(160.0, 120.0)).squaredNorm()));
    pixel[1] = 0.0F;
  });
  const StMap map = bending_map();
  Result<Image<float>> bent = resample(glow.source(), map);
  REQUIRE(bent);
  const Image<float> before = bent->clone();
  const std::array colour{0};
  REQUIRE(limit_with_alpha(glow.source(), map, 1, colour, {}, bent->view()));
  CHECK(same_bits(*bent, before));
  CHECK(bent->at(160, 120, 0) > 2.5F);

  const Straight opaque = render_straight(2, [](const Point2d& p_px, float* pixel) {
    pixel[0] = static_cast<float>(std::sin(1.3 * p_px.x()) * std::cos(1.1 * p_px.y()));
    pixel[1] = 1.0F;
  });
  bent = resample(opaque.source(), map, {.filter = Filter::kLanczos});
  REQUIRE(bent);
  const Image<float> whole = bent->clone();
  REQUIRE(limit_with_alpha(
      opaque.source(), map, 1, colour, {.filter = Filter::kLanczos}, bent->view()));
  CHECK(same_bits(*bent, whole));
}

TEST_CASE("highlights: no ringing when limited, everything else untouched") {
  // Lamps of 3 x 3 pixels and 60 on a ramp that stays below 1.
  const auto level = [](const Point2d& p_px) { return 0.2 + 0.001 * p_px.x(); };
  const Straight straight = render_straight(1, [&](const Point2d& p_px, float* pixel) {
    const int x = static_cast<int>(std::floor(p_px.x())) + 400,
              y = static_cast<int>(std::floor(p_px.y())) + 400;
    const bool lamp = x % 40 < 3 && y % 40 < 3;
    *pixel = static_cast<float>(lamp ? 60.0 : level(p_px));
  });
  const StMap map = bending_map();
  const std::array channels{0};
  for (const Filter filter : {Filter::kCubic, Filter::kLanczos, Filter::kArea}) {
    const ResampleOptions how{.filter = filter};
    Result<Image<float>> bent = resample(straight.source(), map, how);
    REQUIRE(bent);
    const Image<float> before = bent->clone();
    REQUIRE(limit_highlights(straight.source(), map, channels, how, bent->view()));
    float least = kInf, largest = 0.0F, least_before = kInf, largest_before = 0.0F;
    int num_changed = 0;
    for (std::size_t i = 0; i < bent->size(); ++i) {
      least = std::min(least, bent->data()[i]);
      largest = std::max(largest, bent->data()[i]);
      least_before = std::min(least_before, before.data()[i]);
      largest_before = std::max(largest_before, before.data()[i]);
      num_changed += bent->data()[i] == before.data()[i] ? 0 : 1;
    }
    MESSAGE(to_text(filter) << ": least " << least_before << " -> " << least << ", largest "
                            << largest_before << " -> " << largest << ", " << num_changed << " of "
                            << bent->size() << " pixels changed");
    CHECK(least_before < -1.0F);
    CHECK(least > 0.1F);
    CHECK(largest <= 60.0F);
    CHECK(num_changed < 0.15 * static_cast<double>(bent->size()));
  }
  // Where nothing is above 1, not a bit changes.
  const Straight dim = render_straight(1, [&](const Point2d& p_px, float* pixel) {
    *pixel = static_cast<float>(0.5 + 0.5 * std::sin(2.0 * p_px.x()));
  });
  Result<Image<float>> bent = resample(dim.source(), map);
  REQUIRE(bent);
  const Image<float> before = bent->clone();
  REQUIRE(limit_highlights(dim.source(), map, channels, {}, bent->view()));
  CHECK(same_bits(*bent, before));
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

TEST_CASE("words for directions") {
  CHECK(*parse_motion_y("up") == MotionY::kUp);
  CHECK(*parse_motion_y(" down ") == MotionY::kDown);
  CHECK_FALSE(parse_motion_y("sideways"));
}
