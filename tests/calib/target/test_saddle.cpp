#include "calib/target/saddle.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>

#include "tests/support/chart_render.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::ImageView;
using trueplate::Point2d;
using trueplate::target::fit_saddle;
using trueplate::target::Saddle;
using trueplate::target::SaddleGuess;
using namespace trueplate::tests;

namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();

// A small chart, and the guess for one of its inner corners, off by the given amount.
ChartScene small_scene() {
  return {.width = 200,
          .height = 160,
          .columns = 4,
          .rows = 3,
          .pose = {.focal_px = 300.0,
                   .middle_px = {101.3, 79.6},
                   .square_px = 30.0,
                   .tilt_x_deg = 12.0,
                   .tilt_y_deg = -9.0,
                   .roll_deg = 8.0},
          .blur_px = 0.9};
}

SaddleGuess guess_of(const RenderedChart& chart, int columns, int index, const Point2d& off) {
  const auto at = [&](int i) { return chart.corners_px[static_cast<std::size_t>(i)]; };
  SaddleGuess guess;
  guess.p_px = at(index) + off;
  guess.step_u_px = index % columns + 1 < columns ? Point2d(at(index + 1) - at(index))
                                                  : Point2d(at(index) - at(index - 1));
  const bool below = static_cast<std::size_t>(index + columns) < chart.corners_px.size();
  guess.step_v_px =
      below ? Point2d(at(index + columns) - at(index)) : Point2d(at(index) - at(index - columns));
  return guess;
}

constexpr int kMiddle = 5;  // column 1, row 1 of the small chart

Saddle fit_ok(ImageView<const float> image, const SaddleGuess& guess) {
  const auto saddle = fit_saddle(image, guess);
  REQUIRE_MESSAGE(saddle.has_value(), saddle.error().message);
  return *saddle;
}

Image<float> mapped(const Image<float>& image, const auto& map) {
  Image<float> result = image.clone();
  for (std::size_t i = 0; i < result.size(); ++i) result.data()[i] = map(result.data()[i]);
  return result;
}

}  // namespace

TEST_CASE("a clean corner is found to a few thousandths of a pixel, with its blur and levels") {
  const RenderedChart chart = render_chart(small_scene());
  for (int i = 0; i < 12; ++i) {
    const Saddle saddle =
        fit_ok(chart.image.view(), guess_of(chart, 4, i, {0.8 - 0.13 * i, -0.5 + 0.1 * i}));
    CHECK((saddle.p_px - chart.corners_px[static_cast<std::size_t>(i)]).norm() < 0.003);
    // Pixel area and Gaussian: 0.9^2 + 1/12.
    CHECK(saddle.blur_px == doctest::Approx(std::sqrt(0.81 + 1.0 / 12.0)).epsilon(0.01));
    CHECK(saddle.level == doctest::Approx(0.5).epsilon(0.01));
    // Squares begin dark: the sector right and below an even corner is dark.
    const double expected = (i % 4 + i / 4) % 2 == 0 ? -0.4 : 0.4;
    CHECK(saddle.contrast == doctest::Approx(expected).epsilon(0.01));
    CHECK(saddle.separation == doctest::Approx(1.0).epsilon(0.05));
    CHECK(saddle.misfit < 0.01);
  }
}

TEST_CASE("edges far from perpendicular do not move the corner") {
  ChartScene scene = small_scene();
  scene.pose.tilt_x_deg = 55.0;
  scene.pose.tilt_y_deg = 25.0;
  scene.pose.roll_deg = 45.0;
  scene.pose.square_px = 40.0;
  const RenderedChart chart = render_chart(scene);
  double sharpest = 90.0;
  for (int i = 0; i < 12; ++i) {
    const SaddleGuess guess = guess_of(chart, 4, i, {0.3, 0.3});
    const Saddle saddle = fit_ok(chart.image.view(), guess);
    CHECK((saddle.p_px - chart.corners_px[static_cast<std::size_t>(i)]).norm() < 0.004);
    const double angle = std::acos(std::abs(saddle.direction_u.dot(saddle.direction_v)));
    sharpest = std::min(sharpest, angle * 57.29578);
  }
  CHECK(sharpest < 65.0);  // else this test tests nothing
}

TEST_CASE("tone curves and sharpening are even about the corner and leave it in place") {
  const RenderedChart chart = render_chart(small_scene());
  const SaddleGuess guess = guess_of(chart, 4, kMiddle, {0.4, -0.2});
  const Point2d truth = chart.corners_px[kMiddle];
  for (const double gamma : {0.45, 2.2}) {
    const auto image = mapped(chart.image, [&](float v) {
      return static_cast<float>(std::pow(std::max(0.0F, v), gamma));
    });
    CHECK((fit_ok(image.view(), guess).p_px - truth).norm() < 0.006);
  }
  const auto log_image = mapped(chart.image, [](float v) { return std::log2(v + 0.01F); });
  CHECK((fit_ok(log_image.view(), guess).p_px - truth).norm() < 0.006);
  const auto clipped = mapped(chart.image, [](float v) { return std::min(v, 0.6F); });
  CHECK((fit_ok(clipped.view(), guess).p_px - truth).norm() < 0.01);
  // Unsharp mask: the image minus a fraction of its 3 x 3 Laplacian.
  Image<float> sharpened = chart.image.clone();
  for (int y = 1; y < sharpened.height() - 1; ++y)
    for (int x = 1; x < sharpened.width() - 1; ++x)
      sharpened.at(x, y) -=
          0.25F * (chart.image.at(x - 1, y) + chart.image.at(x + 1, y) + chart.image.at(x, y - 1) +
                   chart.image.at(x, y + 1) - 4.0F * chart.image.at(x, y));
  CHECK((fit_ok(sharpened.view(), guess).p_px - truth).norm() < 0.01);
}

TEST_CASE("range, sign and place of the image do not matter") {
  ChartScene scene = small_scene();
  scene.noise = 0.01;
  const RenderedChart chart = render_chart(scene);
  const SaddleGuess guess = guess_of(chart, 4, kMiddle, {0.4, -0.2});
  const Saddle plain = fit_ok(chart.image.view(), guess);
  const auto hdr = mapped(chart.image, [](float v) { return 60.0F * v - 9.0F; });
  const Saddle bright = fit_ok(hdr.view(), guess);
  CHECK((bright.p_px - plain.p_px).norm() < 1e-4);
  CHECK(bright.contrast == doctest::Approx(60.0 * plain.contrast).epsilon(1e-3));
  CHECK(bright.sigma_px() == doctest::Approx(plain.sigma_px()).epsilon(1e-2));
  for (const float scale : {1e-12F, 1e12F}) {
    const auto image = mapped(chart.image, [&](float v) { return scale * v; });
    CHECK((fit_ok(image.view(), guess).p_px - plain.p_px).norm() < 1e-4);
  }
  const auto negative = mapped(chart.image, [](float v) { return 1.0F - v; });
  const Saddle inverted = fit_ok(negative.view(), guess);
  CHECK((inverted.p_px - plain.p_px).norm() < 1e-4);
  CHECK(inverted.contrast == doctest::Approx(-plain.contrast).epsilon(1e-3));

  // A window of the image, shifted by whole pixels.
  ImageView<const float> part = chart.image.view();
  part.data += 30 * part.row_stride + 40;
  part.width -= 60;
  part.height -= 50;
  SaddleGuess moved = guess;
  moved.p_px -= Point2d(40.0, 30.0);
  CHECK((fit_ok(part, moved).p_px + Point2d(40.0, 30.0) - plain.p_px).norm() < 1e-9);
}

TEST_CASE("missing pixels are skipped") {
  ChartScene scene = small_scene();
  scene.noise = 0.004;
  RenderedChart chart = render_chart(scene);
  const SaddleGuess guess = guess_of(chart, 4, kMiddle, {0.2, -0.2});
  const Point2d truth = chart.corners_px[kMiddle];
  const Saddle whole = fit_ok(chart.image.view(), guess);
  std::mt19937 random(3);
  for (std::size_t i = 0; i < chart.image.size(); ++i) {
    const auto draw = random() % 10;
    if (draw < 2) chart.image.data()[i] = kNaN;
    if (draw == 2) chart.image.data()[i] = std::numeric_limits<float>::infinity();
  }
  const Saddle holed = fit_ok(chart.image.view(), guess);
  CHECK((holed.p_px - truth).norm() < 0.03);
  CHECK(holed.num_pixels < whole.num_pixels);
  CHECK(holed.sigma_px() > whole.sigma_px());
  chart.image.fill(kNaN);
  const auto none = fit_saddle(chart.image.view(), guess);
  REQUIRE(!none);
  CHECK(none.error().code == ErrorCode::kNoChart);
  CHECK(none.error().message.find("found 0 usable pixels") != std::string::npos);
}

TEST_CASE("a corner cut by the image border is measured from what is there") {
  const RenderedChart chart = render_chart(small_scene());
  const Point2d truth = chart.corners_px[kMiddle];
  ImageView<const float> part = chart.image.view();
  const int x0 = static_cast<int>(truth.x()) - 3;
  part.data += x0;
  part.width -= x0;
  SaddleGuess guess = guess_of(chart, 4, kMiddle, {0.2, -0.2});
  guess.p_px.x() -= x0;
  CHECK((fit_ok(part, guess).p_px + Point2d(x0, 0.0) - truth).norm() < 0.01);
}

TEST_CASE("what is not a crossing is refused, with the reason") {
  const RenderedChart chart = render_chart(small_scene());
  const SaddleGuess guess = guess_of(chart, 4, kMiddle, {0.0, 0.0});
  const auto refused = [&](ImageView<const float> image, const SaddleGuess& at) {
    const auto saddle = fit_saddle(image, at);
    REQUIRE(!saddle);
    CHECK(saddle.error().code == ErrorCode::kNoChart);
    return saddle.error().message;
  };
  SaddleGuess middle_of_square = guess;
  middle_of_square.p_px += 0.5 * (guess.step_u_px + guess.step_v_px);
  refused(chart.image.view(), middle_of_square);
  SaddleGuess edge = guess;
  edge.p_px += 0.5 * guess.step_u_px;
  refused(chart.image.view(), edge);
  // The outer corner of a square at the chart's border: three light sectors, one dark.
  SaddleGuess outer = guess_of(chart, 4, 0, {0.0, 0.0});
  outer.p_px -= outer.step_v_px;
  CHECK(refused(chart.image.view(), outer).find("sectors do not alternate") != std::string::npos);

  Image<float> flat(64, 64, 1);
  flat.fill(0.5F);
  SaddleGuess somewhere{.p_px = {32.0, 32.0}, .step_u_px = {20.0, 0.0}, .step_v_px = {0.0, 20.0}};
  CHECK(refused(flat.view(), somewhere).find("no contrast") != std::string::npos);
  std::mt19937 random(5);
  std::normal_distribution<float> noise(0.5F, 0.1F);
  int accepted = 0;
  for (int trial = 0; trial < 100; ++trial) {
    for (std::size_t i = 0; i < flat.size(); ++i) flat.data()[i] = noise(random);
    accepted += fit_saddle(flat.view(), somewhere).has_value() ? 1 : 0;
  }
  CHECK(accepted == 0);
  somewhere.p_px = {-500.0, 1e9};
  refused(flat.view(), somewhere);
}

TEST_CASE("nonsense is refused") {
  Image<float> flat(64, 64, 1);
  flat.fill(0.5F);
  const SaddleGuess good{.p_px = {32.0, 32.0}, .step_u_px = {20.0, 0.0}, .step_v_px = {0.0, 20.0}};
  const auto code = [&](const SaddleGuess& guess, ImageView<const float> image) {
    const auto saddle = fit_saddle(image, guess);
    REQUIRE(!saddle);
    return saddle.error().code;
  };
  constexpr double kBad = std::numeric_limits<double>::quiet_NaN();
  SaddleGuess guess = good;
  guess.p_px.x() = kBad;
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.step_v_px = {19.0, 1.0};  // nearly parallel
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  std::swap(guess.step_u_px, guess.step_v_px);  // left-handed
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.step_u_px = {0.5, 0.0};
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.curvature_u = kBad;
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.blur_px = std::numeric_limits<double>::infinity();
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  Image<float> two(64, 64, 2);
  two.fill(0.0F);
  CHECK(code(good, two.view()) == ErrorCode::kInvalidInput);
  CHECK(code(good, ImageView<const float>{nullptr, 0, 0, 1, 0}) == ErrorCode::kNoChart);
  guess = good;
  guess.step_u_px = {1e300, 0.0};
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess.step_u_px = {1e6, 0.0};
  CHECK(code(guess, flat.view()) == ErrorCode::kNoChart);
}
