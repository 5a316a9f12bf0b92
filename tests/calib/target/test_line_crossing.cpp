#include "calib/target/line_crossing.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>

#include "tests/support/chart_render.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::ImageView;
using trueplate::Point2d;
using trueplate::target::fit_line_crossing;
using trueplate::target::LineCrossing;
using trueplate::target::LineCrossingGuess;
using namespace trueplate::tests;

namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();
constexpr int kColumns = 5;
constexpr int kRows = 4;
constexpr int kMiddle = 7;

ChartScene small_scene(double width, double blur_px) {
  return {.width = 240,
          .height = 200,
          .pattern = Pattern::kLines,
          .columns = kColumns,
          .rows = kRows,
          .mark = width,
          .pose = {.focal_px = 4000.0,  // hardly any perspective: middles stay middles
                   .middle_px = {121.3, 99.6},
                   .square_px = 36.0,
                   .tilt_x_deg = 25.0,
                   .tilt_y_deg = -20.0,
                   .roll_deg = 14.0},
          .blur_px = blur_px};
}

LineCrossingGuess guess_of(const RenderedChart& chart, int index, const Point2d& off) {
  const auto at = [&](int i) { return chart.corners_px[static_cast<std::size_t>(i)]; };
  const int u = index % kColumns + 1 < kColumns ? index : index - 1;
  const int v = index + kColumns < kColumns * kRows ? index : index - kColumns;
  return {.p_px = at(index) + off,
          .step_u_px = at(u + 1) - at(u),
          .step_v_px = at(v + kColumns) - at(v)};
}

LineCrossing fit_ok(ImageView<const float> image, const LineCrossingGuess& guess) {
  const auto crossing = fit_line_crossing(image, guess);
  REQUIRE_MESSAGE(crossing.has_value(), crossing.error().message);
  return *crossing;
}

Image<float> mapped(const Image<float>& image, const auto& map) {
  Image<float> result = image.clone();
  for (std::size_t i = 0; i < result.size(); ++i) result.data()[i] = map(result.data()[i]);
  return result;
}

}  // namespace

TEST_CASE("clean crossings, from hairlines to wide bars, with blur and width") {
  // 0.9, 1.8, 4 and 9 px.
  for (const double width : {0.025, 0.05, 0.11, 0.25}) {
    for (const double blur : {0.5, 1.0, 2.0}) {
      const RenderedChart chart = render_chart(small_scene(width, blur));
      for (int i = 0; i < kColumns * kRows; i += 3) {
        const LineCrossing crossing =
            fit_ok(chart.image.view(), guess_of(chart, i, {2.3 - 0.25 * i, -1.5 + 0.1 * i}));
        CHECK((crossing.p_px - chart.corners_px[static_cast<std::size_t>(i)]).norm() < 0.006);
        // A hairline under a blur leaves its width and darkness open.
        if (width * 36.0 > 1.5 * blur) {
          CHECK(crossing.blur_px ==
                doctest::Approx(std::sqrt(blur * blur + 1.0 / 12.0)).epsilon(0.03));
          CHECK(crossing.width_u_px == doctest::Approx(36.0 * width).epsilon(0.2));
        }
        CHECK(crossing.contrast < -0.2);
        CHECK(crossing.level == doctest::Approx(0.9).epsilon(0.01));
        CHECK(crossing.separation > 0.9);
        CHECK(crossing.misfit < 0.02);
      }
    }
  }
}

TEST_CASE("bent lines of a known curvature") {
  ChartScene scene = small_scene(0.08, 0.8);
  scene.pose.focal_px = 160.0;
  scene.pose.tilt_x_deg = scene.pose.tilt_y_deg = 0.0;
  scene.k1 = -0.25;
  const RenderedChart chart = render_chart(scene);
  double with = 0.0;
  double without = 0.0;
  for (const int i : {6, 7, 8, 11, 12, 13}) {
    const auto at = [&](int k) { return chart.corners_px[static_cast<std::size_t>(i + k)]; };
    LineCrossingGuess guess = guess_of(chart, i, {0.5, 0.5});
    without += (fit_ok(chart.image.view(), guess).p_px - at(0)).squaredNorm();
    const auto curvature = [](const Point2d& first, const Point2d& second) {
      return (first.x() * second.y() - first.y() * second.x()) / std::pow(first.norm(), 3);
    };
    guess.curvature_u = curvature(0.5 * (at(1) - at(-1)), at(1) + at(-1) - 2.0 * at(0));
    guess.curvature_v = -curvature(0.5 * (at(kColumns) - at(-kColumns)),
                                   at(kColumns) + at(-kColumns) - 2.0 * at(0));
    with += (fit_ok(chart.image.view(), guess).p_px - at(0)).squaredNorm();
  }
  CHECK(with < 0.5 * without);
  CHECK(std::sqrt(with / 6.0) < 0.01);
}

TEST_CASE("tone, range and sign leave the crossing in place") {
  const RenderedChart chart = render_chart(small_scene(0.08, 0.9));
  const LineCrossingGuess guess = guess_of(chart, kMiddle, {0.7, -1.5});
  const Point2d truth = chart.corners_px[kMiddle];
  for (const double gamma : {0.45, 2.2}) {
    const auto image = mapped(chart.image, [&](float v) {
      return static_cast<float>(std::pow(std::max(0.0F, v), gamma));
    });
    CHECK((fit_ok(image.view(), guess).p_px - truth).norm() < 0.006);
  }
  const auto log_image = mapped(chart.image, [](float v) { return std::log2(v + 0.01F); });
  CHECK((fit_ok(log_image.view(), guess).p_px - truth).norm() < 0.006);
  const LineCrossing plain = fit_ok(chart.image.view(), guess);
  const auto hdr = mapped(chart.image, [](float v) { return 60.0F * v - 9.0F; });
  const LineCrossing bright = fit_ok(hdr.view(), guess);
  CHECK((bright.p_px - plain.p_px).norm() < 1e-4);
  CHECK(bright.contrast == doctest::Approx(60.0 * plain.contrast).epsilon(1e-3));
  const auto negative = mapped(chart.image, [](float v) { return 1.0F - v; });
  const LineCrossing inverted = fit_ok(negative.view(), guess);
  CHECK((inverted.p_px - plain.p_px).norm() < 1e-4);
  CHECK(inverted.contrast == doctest::Approx(-plain.contrast).epsilon(1e-3));
}

TEST_CASE("missing pixels are skipped") {
  ChartScene scene = small_scene(0.08, 0.9);
  scene.noise = 0.004;
  RenderedChart chart = render_chart(scene);
  const LineCrossingGuess guess = guess_of(chart, kMiddle, {0.2, -0.2});
  const LineCrossing whole = fit_ok(chart.image.view(), guess);
  std::mt19937 random(3);
  for (std::size_t i = 0; i < chart.image.size(); ++i) {
    const auto draw = random() % 10;
    if (draw < 2) chart.image.data()[i] = kNaN;
    if (draw == 2) chart.image.data()[i] = std::numeric_limits<float>::infinity();
  }
  const LineCrossing holed = fit_ok(chart.image.view(), guess);
  CHECK((holed.p_px - chart.corners_px[kMiddle]).norm() < 0.03);
  CHECK(holed.num_pixels < whole.num_pixels);
  CHECK(holed.sigma_px() > whole.sigma_px());
  chart.image.fill(kNaN);
  const auto none = fit_line_crossing(chart.image.view(), guess);
  REQUIRE(!none);
  CHECK(none.error().code == ErrorCode::kNoChart);
}

TEST_CASE("what is not a crossing of two lines is refused") {
  const RenderedChart chart = render_chart(small_scene(0.1, 0.8));
  const LineCrossingGuess guess = guess_of(chart, kMiddle, {0.0, 0.0});
  const auto refused = [&](ImageView<const float> image, const LineCrossingGuess& at) {
    const auto crossing = fit_line_crossing(image, at);
    REQUIRE(!crossing);
    CHECK(crossing.error().code == ErrorCode::kNoChart);
  };
  LineCrossingGuess field = guess;
  field.p_px += 0.5 * (guess.step_u_px + guess.step_v_px);
  refused(chart.image.view(), field);
  LineCrossingGuess one_line = guess;
  one_line.p_px += 0.5 * guess.step_u_px;
  refused(chart.image.view(), one_line);
  // The end of a line at another: half of the crossing painted over.
  Image<float> ended = chart.image.clone();
  const Point2d p = chart.corners_px[kMiddle];
  for (int y = 0; y < ended.height(); ++y)
    for (int x = 0; x < ended.width(); ++x)
      if ((Point2d(x + 0.5, y + 0.5) - p).dot(guess.step_u_px.normalized()) > 2.5)
        ended.at(x, y) = 0.9F;
  refused(ended.view(), guess);
  ChartScene other = small_scene(0.1, 0.8);
  other.pattern = Pattern::kCheckerboard;
  refused(render_chart(other).image.view(), guess);

  Image<float> flat(64, 64, 1);
  flat.fill(0.5F);
  LineCrossingGuess somewhere{
      .p_px = {32.0, 32.0}, .step_u_px = {20.0, 0.0}, .step_v_px = {0.0, 20.0}};
  refused(flat.view(), somewhere);
  std::mt19937 random(5);
  std::normal_distribution<float> noise(0.5F, 0.1F);
  int accepted = 0;
  for (int trial = 0; trial < 60; ++trial) {
    for (std::size_t i = 0; i < flat.size(); ++i) flat.data()[i] = noise(random);
    accepted += fit_line_crossing(flat.view(), somewhere).has_value() ? 1 : 0;
  }
  CHECK(accepted == 0);
  somewhere.p_px = {-500.0, 1e9};
  refused(flat.view(), somewhere);
}

TEST_CASE("nonsense is refused") {
  Image<float> flat(64, 64, 1);
  flat.fill(0.5F);
  const LineCrossingGuess good{
      .p_px = {32.0, 32.0}, .step_u_px = {20.0, 0.0}, .step_v_px = {0.0, 20.0}};
  const auto code = [&](const LineCrossingGuess& guess, ImageView<const float> image) {
    const auto crossing = fit_line_crossing(image, guess);
    REQUIRE(!crossing);
    return crossing.error().code;
  };
  LineCrossingGuess guess = good;
  guess.p_px.x() = std::numeric_limits<double>::quiet_NaN();
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.step_v_px = {19.0, 1.0};  // nearly parallel
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  std::swap(guess.step_u_px, guess.step_v_px);  // left-handed
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.step_u_px = {1e300, 0.0};
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  guess = good;
  guess.width_px = std::numeric_limits<double>::infinity();
  CHECK(code(guess, flat.view()) == ErrorCode::kInvalidInput);
  Image<float> two(64, 64, 2);
  two.fill(0.0F);
  CHECK(code(good, two.view()) == ErrorCode::kInvalidInput);
  CHECK(code(good, ImageView<const float>{nullptr, 0, 0, 1, 0}) == ErrorCode::kNoChart);
}
