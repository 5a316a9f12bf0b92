#include "calib/target/dot.h"

#include <doctest/doctest.h>

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <random>

#include "tests/support/chart_render.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::ImageView;
using trueplate::Point2d;
using trueplate::target::Dot;
using trueplate::target::DotGuess;
using trueplate::target::fit_dot;
using namespace trueplate::tests;

namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();
constexpr int kSide = 5;
constexpr int kMiddle = 12;

ChartScene small_scene() {
  return {.width = 300,
          .height = 250,
          .pattern = Pattern::kDots,
          .columns = kSide,
          .rows = kSide,
          .mark = 0.5,
          .pose = {.focal_px = 300.0,
                   .middle_px = {151.3, 124.6},
                   .square_px = 40.0,
                   .tilt_x_deg = 35.0,
                   .tilt_y_deg = -12.0,
                   .roll_deg = 18.0},
          .blur_px = 0.9};
}

enum class Bends { kKnown, kLeftOut };

// The guess for an inner dot from its neighbours' true places, off by a pixel or two.
DotGuess guess_of(const RenderedChart& chart, int index, Bends bends, const Point2d& off) {
  const auto at = [&](int column, int row) {
    return chart.corners_px[static_cast<std::size_t>(index + column + kSide * row)];
  };
  DotGuess guess;
  guess.p_px = at(0, 0) + off;
  guess.first << 0.5 * (at(1, 0) - at(-1, 0)), 0.5 * (at(0, 1) - at(0, -1));
  if (bends == Bends::kKnown) {
    guess.second.col(0) = at(1, 0) + at(-1, 0) - 2.0 * at(0, 0);
    guess.second.col(1) = 0.25 * (at(1, 1) - at(-1, 1) - at(1, -1) + at(-1, -1));
    guess.second.col(2) = at(0, 1) + at(0, -1) - 2.0 * at(0, 0);
  }
  guess.radius = 0.2;
  guess.spacing = 1e9;
  for (int row = -1; row <= 1; ++row)
    for (int column = -1; column <= 1; ++column)
      if (row != 0 || column != 0)
        guess.spacing =
            std::min(guess.spacing, (guess.first.inverse() * (at(column, row) - at(0, 0))).norm());
  return guess;
}

Dot fit_ok(ImageView<const float> image, const DotGuess& guess) {
  const auto dot = fit_dot(image, guess);
  REQUIRE_MESSAGE(dot.has_value(), dot.error().message);
  return *dot;
}

Image<float> mapped(const Image<float>& image, const auto& map) {
  Image<float> result = image.clone();
  for (std::size_t i = 0; i < result.size(); ++i) result.data()[i] = map(result.data()[i]);
  return result;
}

}  // namespace

TEST_CASE("the image of the centre, not the centre of the ellipse") {
  for (const double tilt : {10.0, 45.0}) {
    ChartScene scene = small_scene();
    scene.pose.tilt_x_deg = tilt;
    scene.k1 = -0.15;
    const RenderedChart chart = render_chart(scene);
    Point2d before(0.0, 0.0);
    Point2d after(0.0, 0.0);
    double worst = 0.0;
    for (int row = 1; row < kSide - 1; ++row) {
      for (int column = 1; column < kSide - 1; ++column) {
        const int i = row * kSide + column;
        const Point2d truth = chart.corners_px[static_cast<std::size_t>(i)];
        const Dot ellipse =
            fit_ok(chart.image.view(), guess_of(chart, i, Bends::kLeftOut, {1.1, -0.8}));
        const Dot dot = fit_ok(chart.image.view(), guess_of(chart, i, Bends::kKnown, {1.1, -0.8}));
        before += (ellipse.p_px - truth) / 9.0;
        after += (dot.p_px - truth) / 9.0;
        worst = std::max(worst, (dot.p_px - truth).norm());
        CHECK(dot.radius == doctest::Approx(0.25).epsilon(0.01));
        // Pixel area and Gaussian: 0.9^2 + 1/12.
        CHECK(dot.blur_px == doctest::Approx(std::sqrt(0.81 + 1.0 / 12.0)).epsilon(0.02));
        CHECK(dot.contrast == doctest::Approx(-0.8).epsilon(0.01));
        CHECK(dot.level == doctest::Approx(0.9).epsilon(0.01));
        CHECK(dot.completeness == doctest::Approx(1.0).epsilon(0.05));
        CHECK(dot.out_of_round < 0.01);
      }
    }
    std::printf("tilt %.0f: mean error %.4f px as an ellipse, %.4f px as a dot on the chart\n",
                tilt,
                before.norm(),
                after.norm());
    CHECK(before.norm() > 0.05);  // else this test tests nothing
    CHECK(after.norm() < 0.003);
    CHECK(worst < 0.006);
  }
}

TEST_CASE("small dots under strong blur stay in place and know their uncertainty") {
  ChartScene scene = small_scene();
  scene.mark = 0.3;
  scene.blur_px = 2.0;
  scene.noise = 1.0 / 255.0;
  double sum = 0.0;
  int count = 0;
  for (std::uint32_t seed = 1; seed <= 4; ++seed) {
    scene.seed = seed;
    const RenderedChart chart = render_chart(scene);
    for (const int i : {6, 7, 8, 11, 12, 13, 16, 17, 18}) {
      DotGuess guess = guess_of(chart, i, Bends::kKnown, {0.5, 0.4});
      const Dot dot = fit_ok(chart.image.view(), guess);
      const double error = (dot.p_px - chart.corners_px[static_cast<std::size_t>(i)]).norm();
      CHECK(error < 0.08);
      sum += error * error / (2.0 * dot.sigma_px() * dot.sigma_px());
      ++count;
    }
  }
  CHECK(sum / count > 0.4);
  CHECK(sum / count < 1.6);
}

TEST_CASE("tone, range and sign leave the dot in place") {
  const RenderedChart chart = render_chart(small_scene());
  const DotGuess guess = guess_of(chart, kMiddle, Bends::kKnown, {0.7, -0.5});
  const Point2d truth = chart.corners_px[kMiddle];
  // A tone curve moves a blurred edge by a share of the blur, by as many pixels on the near side of
  // a tilted dot as on the far one, which is not as much on the chart. Here the scale changes by 8
  // % over the dot.
  constexpr double kTonePx = 0.03;
  for (const double gamma : {0.45, 2.2}) {
    const auto image = mapped(chart.image, [&](float v) {
      return static_cast<float>(std::pow(std::max(0.0F, v), gamma));
    });
    CHECK((fit_ok(image.view(), guess).p_px - truth).norm() < kTonePx);
  }
  const auto log_image = mapped(chart.image, [](float v) { return std::log2(v + 0.01F); });
  CHECK((fit_ok(log_image.view(), guess).p_px - truth).norm() < kTonePx);
  const auto clipped = mapped(chart.image, [](float v) { return std::min(v, 0.6F); });
  CHECK((fit_ok(clipped.view(), guess).p_px - truth).norm() < kTonePx);
  const Dot plain = fit_ok(chart.image.view(), guess);
  const auto hdr = mapped(chart.image, [](float v) { return 60.0F * v - 9.0F; });
  const Dot bright = fit_ok(hdr.view(), guess);
  CHECK((bright.p_px - plain.p_px).norm() < 1e-4);
  CHECK(bright.contrast == doctest::Approx(60.0 * plain.contrast).epsilon(1e-3));
  const auto negative = mapped(chart.image, [](float v) { return 1.0F - v; });
  const Dot inverted = fit_ok(negative.view(), guess);
  CHECK((inverted.p_px - plain.p_px).norm() < 1e-4);
  CHECK(inverted.contrast == doctest::Approx(-plain.contrast).epsilon(1e-3));
}

TEST_CASE("missing pixels are skipped") {
  ChartScene scene = small_scene();
  scene.noise = 0.004;
  RenderedChart chart = render_chart(scene);
  const DotGuess guess = guess_of(chart, kMiddle, Bends::kKnown, {0.2, -0.2});
  const Dot whole = fit_ok(chart.image.view(), guess);
  std::mt19937 random(3);
  for (std::size_t i = 0; i < chart.image.size(); ++i) {
    const auto draw = random() % 10;
    if (draw < 2) chart.image.data()[i] = kNaN;
    if (draw == 2) chart.image.data()[i] = std::numeric_limits<float>::infinity();
  }
  const Dot holed = fit_ok(chart.image.view(), guess);
  CHECK((holed.p_px - chart.corners_px[kMiddle]).norm() < 0.02);
  CHECK(holed.num_pixels < whole.num_pixels);
  CHECK(holed.sigma_px() > whole.sigma_px());
  chart.image.fill(kNaN);
  const auto none = fit_dot(chart.image.view(), guess);
  REQUIRE(!none);
  CHECK(none.error().code == ErrorCode::kNoChart);
  CHECK(none.error().message.find("found 0 usable pixels") != std::string::npos);
}

TEST_CASE("what is not a whole dot is refused, with the reason") {
  const RenderedChart chart = render_chart(small_scene());
  const DotGuess guess = guess_of(chart, kMiddle, Bends::kKnown, {0.0, 0.0});
  const auto refused = [&](ImageView<const float> image, const DotGuess& at) {
    const auto dot = fit_dot(image, at);
    REQUIRE(!dot);
    CHECK(dot.error().code == ErrorCode::kNoChart);
    return dot.error().message;
  };
  DotGuess between = guess;
  between.p_px += guess.first * Eigen::Vector2d(0.5, 0.5);
  refused(chart.image.view(), between);
  // A dot cut by the border of the image.
  ImageView<const float> part = chart.image.view();
  const int x0 = static_cast<int>(guess.p_px.x()) - 3;
  part.data += x0;
  part.width -= x0;
  DotGuess cut = guess;
  cut.p_px.x() -= x0;
  refused(part, cut);
  // A square of the same area.
  Image<float> square(80, 80, 1);
  square.fill(0.9F);
  for (int y = 28; y < 52; ++y)
    for (int x = 28; x < 52; ++x) square.at(x, y) = 0.1F;
  DotGuess at_square{.p_px = {40.0, 40.0}, .radius = 13.0, .spacing = 40.0};
  CHECK(refused(square.view(), at_square).find("not round") != std::string::npos);

  Image<float> flat(80, 80, 1);
  flat.fill(0.5F);
  CHECK(refused(flat.view(), at_square).find("no contrast") != std::string::npos);
  std::mt19937 random(5);
  std::normal_distribution<float> noise(0.5F, 0.1F);
  int accepted = 0;
  for (int trial = 0; trial < 60; ++trial) {
    for (std::size_t i = 0; i < flat.size(); ++i) flat.data()[i] = noise(random);
    accepted += fit_dot(flat.view(), at_square).has_value() ? 1 : 0;
  }
  CHECK(accepted == 0);
  at_square.p_px = {-500.0, 1e9};
  refused(flat.view(), at_square);
  at_square.radius = 1e6;
  refused(flat.view(), at_square);
}

TEST_CASE("nonsense is refused") {
  Image<float> flat(64, 64, 1);
  flat.fill(0.5F);
  const DotGuess good{.p_px = {32.0, 32.0}, .radius = 8.0, .spacing = 20.0};
  const auto code = [&](const DotGuess& guess, ImageView<const float> image) {
    const auto dot = fit_dot(image, guess);
    REQUIRE(!dot);
    return dot.error().code;
  };
  constexpr double kBad = std::numeric_limits<double>::quiet_NaN();
  DotGuess guess = good;
  guess.p_px.x() = kBad;
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.first.col(0) *= -1.0;  // mirrored
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.radius = 0.0;
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.second(1, 2) = kBad;
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.blur_px = std::numeric_limits<double>::infinity();
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  Image<float> two(64, 64, 2);
  two.fill(0.0F);
  CHECK(code(good, two.view()) == ErrorCode::kInvalidInput);
  CHECK(code(good, ImageView<const float>{nullptr, 0, 0, 1, 0}) == ErrorCode::kNoChart);
}
