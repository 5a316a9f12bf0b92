// What filters with negative lobes leave beside alpha and highlights, on a scene whose passes are
// known exactly (tests/support/pass_scene.h): rendered straight, bent by a redistort map, and
// compared with the scene seen through the lens. The truth is geometry; the lens equations are
// those under test elsewhere.

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
