#include "calib/target/checkerboard.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>
#include <string>

#include "tests/support/chart_render.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::ImageView;
using trueplate::Point2d;
using trueplate::target::Chart;
using trueplate::target::Corner;
using trueplate::target::detect_checkerboard;
using namespace trueplate::tests;

namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();

Chart grid(int columns, int rows) { return {.pitch_mm = 25.0, .columns = columns, .rows = rows}; }

ChartScene scene(int columns, int rows) {
  return {.width = 480,
          .height = 360,
          .columns = columns,
          .rows = rows,
          .pose = {.focal_px = 500.0,
                   .middle_px = {236.0, 183.0},
                   .square_px = 27.0,
                   .tilt_x_deg = 14.0,
                   .tilt_y_deg = -17.0,
                   .roll_deg = 6.0},
          .blur_px = 0.8,
          .noise = 1.0 / 255.0,
          .samples = 3};
}

std::vector<Corner> found(ImageView<const float> image, const Chart& chart) {
  const auto corners = detect_checkerboard(image, chart);
  REQUIRE_MESSAGE(corners.has_value(), corners.error().message);
  return corners->corners;
}

std::string no_chart(ImageView<const float> image, const Chart& chart) {
  const auto corners = detect_checkerboard(image, chart);
  REQUIRE(!corners);
  CHECK(corners.error().code == ErrorCode::kNoChart);
  CHECK(corners.error().message.find('\n') == std::string::npos);
  return corners.error().message;
}

// Largest distance from the truth; every corner must be the one its chart position names.
double worst_error(const std::vector<Corner>& corners, const RenderedChart& truth, int columns) {
  double worst = 0.0;
  for (const Corner& corner : corners) {
    const int column = static_cast<int>(std::lround(corner.p_chart_mm.x() / 25.0));
    const int row = static_cast<int>(std::lround(corner.p_chart_mm.y() / 25.0));
    CHECK(corner.p_chart_mm.z() == 0.0);
    const Point2d& p = truth.corners_px[static_cast<std::size_t>(row * columns + column)];
    worst = std::max(worst, (corner.p_plate_px - p).norm());
  }
  return worst;
}

Image<float> mapped(const Image<float>& image, const auto& map) {
  Image<float> result = image.clone();
  for (std::size_t i = 0; i < result.size(); ++i) result.data()[i] = map(result.data()[i]);
  return result;
}

// Signed area of the parallelogram along a row and down a column, at the first corner.
double handedness(const std::vector<Corner>& corners, int columns) {
  const Point2d u = corners[1].p_plate_px - corners[0].p_plate_px;
  const Point2d v = corners[static_cast<std::size_t>(columns)].p_plate_px - corners[0].p_plate_px;
  return u.x() * v.y() - u.y() * v.x();
}

}  // namespace

TEST_CASE("corners come row by row, in millimetres of the chart") {
  const RenderedChart chart = render_chart(scene(9, 6));
  const auto corners = found(chart.image.view(), grid(9, 6));
  REQUIRE(corners.size() == 54);
  for (int i = 0; i < 54; ++i) {
    const auto n = static_cast<std::size_t>(i);
    CHECK(corners[n].p_chart_mm == Eigen::Vector3d(25.0 * (i % 9), 25.0 * (i / 9), 0.0));
    CHECK(corners[n].sigma_px > 0.0);
    CHECK(corners[n].sigma_px < 0.02);
  }
  CHECK(worst_error(corners, chart, 9) < 0.02);
}

TEST_CASE("the origin stays on the dark end however the camera is turned") {
  for (const double roll : {0.0, 50.0, 100.0, 170.0, 181.0, 260.0, 310.0}) {
    CAPTURE(roll);
    ChartScene turned = scene(8, 5);
    turned.pose.roll_deg = roll;
    const RenderedChart chart = render_chart(turned);
    const auto corners = found(chart.image.view(), grid(8, 5));
    REQUIRE(corners.size() == 40);
    CHECK(worst_error(corners, chart, 8) < 0.02);
    // The same board asked for the other way: its columns are our rows.
    const auto across = found(chart.image.view(), grid(5, 8));
    REQUIRE(across.size() == 40);
    CHECK(handedness(across, 5) > 0.0);
    // Its origin is dark as well, so it is one of the two ends of the same diagonal.
    const auto same = [&](std::size_t i) {
      return std::any_of(corners.begin(), corners.end(), [&](const Corner& c) {
        return (c.p_plate_px - across[i].p_plate_px).norm() < 1e-2;
      });
    };
    for (std::size_t i = 0; i < across.size(); ++i) CHECK(same(i));
  }
}

TEST_CASE("a grid that looks the same after half a turn has x to the right") {
  for (const double roll : {10.0, 100.0, 190.0, 280.0}) {
    CAPTURE(roll);
    for (const auto& [columns, rows] : {std::pair{7, 5}, {6, 4}, {5, 5}, {6, 6}}) {
      ChartScene turned = scene(columns, rows);
      turned.pose.roll_deg = roll;
      const RenderedChart chart = render_chart(turned);
      const auto corners = found(chart.image.view(), grid(columns, rows));
      REQUIRE(corners.size() == static_cast<std::size_t>(columns * rows));
      CHECK(handedness(corners, columns) > 0.0);
      const auto last = static_cast<std::size_t>(columns - 1);
      const Point2d x = corners[last].p_plate_px - corners[0].p_plate_px;
      // 45 degrees at worst where quarter turns are free, 90 where only half turns are.
      CHECK(x.x() > (columns == rows && columns % 2 == 0 ? 0.6 * x.norm() : -0.35 * x.norm()));
    }
  }
}

TEST_CASE("any range and tone of the pixels") {
  ChartScene plain = scene(9, 6);
  plain.noise = 0.004;
  plain.vignetting = 0.4;
  const RenderedChart chart = render_chart(plain);
  const auto error = [&](const Image<float>& image) {
    return worst_error(found(image.view(), grid(9, 6)), chart, 9);
  };
  CHECK(error(chart.image) < 0.05);
  // Linear light with negative values, and a lamp in the frame far above the chart.
  Image<float> hdr = mapped(chart.image, [](float v) { return 50.0F * v * v - 3.0F; });
  for (int y = 0; y < 40; ++y)
    for (int x = 0; x < 50; ++x) hdr.at(x, y) = 4000.0F + static_cast<float>(x * y);
  CHECK(error(hdr) < 0.1);
  CHECK(error(mapped(chart.image, [](float v) { return std::log2(std::max(v, 0.01F)); })) < 0.1);
  CHECK(error(mapped(chart.image, [](float v) { return 1e-7F * v; })) < 0.05);
  for (const float levels : {1023.0F, 4095.0F, 65535.0F})
    CHECK(error(mapped(chart.image, [&](float v) { return std::round(v * levels); })) < 0.05);
  // Light squares begin: the origin moves to the other end, whose outer square is dark now.
  const auto inverted = mapped(chart.image, [](float v) { return 1.0F - v; });
  const auto corners = found(inverted.view(), grid(9, 6));
  REQUIRE(corners.size() == 54);
  CHECK((corners[0].p_plate_px - chart.corners_px[53]).norm() < 0.05);
}

TEST_CASE("missing pixels cost a corner, not the frame") {
  const RenderedChart chart = render_chart(scene(9, 6));
  Image<float> holed = chart.image.clone();
  // A dead column, a black-out of one corner, and a border without pixels.
  for (int y = 0; y < holed.height(); ++y) holed.at(200, y) = kNaN;
  const Point2d& lost = chart.corners_px[22];
  for (int y = -9; y <= 9; ++y)
    for (int x = -9; x <= 9; ++x)
      holed.at(static_cast<int>(lost.x()) + x, static_cast<int>(lost.y()) + y) = kNaN;
  for (int y = 0; y < holed.height(); ++y)
    for (int x = 0; x < 20; ++x) holed.at(x, y) = -std::numeric_limits<float>::infinity();
  const auto corners = found(holed.view(), grid(9, 6));
  CHECK(corners.size() == 53);
  CHECK(worst_error(corners, chart, 9) < 0.03);
  const auto strict = detect_checkerboard(holed.view(), grid(9, 6), {.max_lost_share = 0.0});
  REQUIRE(!strict);
  CHECK(strict.error().message == "found 53 of 54 corners, need 54 (9x6)");
}

TEST_CASE("a hand over the chart costs the corners it covers") {
  const RenderedChart chart = render_chart(scene(9, 6));
  Image<float> covered = chart.image.clone();
  const Point2d& at = chart.corners_px[30];
  for (int y = -40; y <= 40; ++y)
    for (int x = -40; x <= 40; ++x)
      if (x * x + y * y < 1600)
        covered.at(static_cast<int>(at.x()) + x, static_cast<int>(at.y()) + y) =
            0.4F + 0.001F * static_cast<float>(x);
  const auto corners = found(covered.view(), grid(9, 6));
  CHECK(corners.size() < 51);
  CHECK(corners.size() >= 41);
  CHECK(worst_error(corners, chart, 9) < 0.03);
}

TEST_CASE("a wrong grid is told, not fitted") {
  const RenderedChart chart = render_chart(scene(9, 6));
  for (const auto& [num_columns, num_rows] :
       {std::pair{8, 6}, {9, 5}, {6, 8}, {5, 5}, {3, 3}, {7, 6}}) {
    // Clang 14 cannot capture a structured binding.
    const int columns = num_columns;
    const int rows = num_rows;
    CAPTURE(columns);
    CAPTURE(rows);
    const std::string message = no_chart(chart.image.view(), grid(columns, rows));
    CHECK(message == "the chart goes on past the " + std::to_string(columns) + "x" +
                         std::to_string(rows) + " corners asked for; check --grid");
  }
  CHECK(no_chart(chart.image.view(), grid(7, 7)) ==
        "found a grid of 9x6 corners, need 7x7; check --grid");
  CHECK(no_chart(chart.image.view(), grid(10, 6)) == "found 54 of 60 corners, need 60 (10x6)");
  CHECK(no_chart(chart.image.view(), grid(9, 7)) == "found 54 of 63 corners, need 63 (9x7)");
}

TEST_CASE("a chart partly outside the frame is no chart of known grid") {
  ChartScene cut = scene(9, 6);
  cut.pose.middle_px.x() = 80.0;
  const RenderedChart chart = render_chart(cut);
  const std::string message = no_chart(chart.image.view(), grid(9, 6));
  CHECK(message.find(" of 54 corners, need 54 (9x6)") != std::string::npos);
  CHECK(message.find("found 0 of") == std::string::npos);
}

TEST_CASE("without a grid, whatever the frame shows of the chart") {
  ChartScene cut = scene(14, 11);
  cut.pose.square_px = 40.0;
  cut.pose.roll_deg = 25.0;  // the chart runs off the frame on all sides
  const RenderedChart chart = render_chart(cut);
  const Chart any{.pitch_mm = 25.0};
  const auto corners = found(chart.image.view(), any);
  int inside = 0;
  for (const Point2d& p : chart.corners_px)
    if (p.x() > 8.0 && p.x() < 472.0 && p.y() > 8.0 && p.y() < 352.0) ++inside;
  CHECK(inside < 14 * 11 - 20);
  CHECK(static_cast<int>(corners.size()) >= inside - 2);
  // Which corner of the print is the first is open, so compare place by place with the truth, and
  // the steps between neighbours with the chart's pitch.
  int least = 1000;
  for (const Corner& c : corners) {
    double nearest = 1e9;
    for (const Point2d& p : chart.corners_px)
      nearest = std::min(nearest, (p - c.p_plate_px).norm());
    CHECK(nearest < 0.03);
    least = std::min(least, static_cast<int>(std::lround(c.p_chart_mm.x())));
  }
  CHECK(least == 0);
  const auto index_of = [&](const Corner& c) {
    std::size_t best = 0;
    for (std::size_t i = 0; i < chart.corners_px.size(); ++i)
      if ((chart.corners_px[i] - c.p_plate_px).norm() <
          (chart.corners_px[best] - c.p_plate_px).norm())
        best = i;
    return Point2d(static_cast<double>(best % 14), static_cast<double>(best / 14));
  };
  for (std::size_t i = 1; i < corners.size(); ++i) {
    const double on_chart = (corners[i].p_chart_mm - corners[0].p_chart_mm).norm() / 25.0;
    CHECK((index_of(corners[i]) - index_of(corners[0])).norm() ==
          doctest::Approx(on_chart).epsilon(1e-6));
  }
  // The whole chart in the frame is found whole.
  const RenderedChart whole = render_chart(scene(9, 6));
  const auto all = found(whole.image.view(), any);
  CHECK(all.size() == 54);
  Image<float> flat(320, 240, 1);
  flat.fill(0.5F);
  CHECK(no_chart(flat.view(), any) ==
        "found 0 corners of a checkerboard, need 12, 3 or more each way");
}

TEST_CASE("a large frame is searched small and measured large") {
  ChartScene large = scene(9, 6);
  large.width = 2400;
  large.height = 1800;
  large.pose = {.focal_px = 2500.0,
                .middle_px = {1200.7, 890.2},
                .square_px = 140.0,
                .tilt_x_deg = 14.0,
                .tilt_y_deg = -17.0,
                .roll_deg = 6.0};
  large.k1 = -0.12;
  large.samples = 1;
  const RenderedChart chart = render_chart(large);
  const auto corners = found(chart.image.view(), grid(9, 6));
  REQUIRE(corners.size() == 54);
  CHECK(worst_error(corners, chart, 9) < 0.02);
  // Small squares in a large frame need the larger search image.
  large.pose.square_px = 17.0;
  const RenderedChart small = render_chart(large);
  const auto again = found(small.image.view(), grid(9, 6));
  REQUIRE(again.size() == 54);
  CHECK(worst_error(again, small, 9) < 0.04);
}

TEST_CASE("no chart, no corners") {
  std::mt19937 random(11);
  std::normal_distribution<float> noise(0.5F, 0.15F);
  Image<float> image(320, 240, 1);
  for (std::size_t i = 0; i < image.size(); ++i) image.data()[i] = noise(random);
  CHECK(no_chart(image.view(), grid(9, 6)).find("need 54 (9x6)") != std::string::npos);
  image.fill(0.5F);
  CHECK(no_chart(image.view(), grid(9, 6)) == "found 0 of 54 corners, need 54 (9x6)");
  image.fill(kNaN);
  no_chart(image.view(), grid(9, 6));
  image.fill(std::numeric_limits<float>::max());
  no_chart(image.view(), grid(3, 3));
  for (std::size_t i = 0; i < image.size(); ++i)
    image.data()[i] =
        i % 2 == 0 ? std::numeric_limits<float>::max() : std::numeric_limits<float>::lowest();
  no_chart(image.view(), grid(3, 3));
  for (int y = 0; y < 240; ++y)
    for (int x = 0; x < 320; ++x) image.at(x, y) = static_cast<float>(x) / 320.0F;
  no_chart(image.view(), grid(9, 6));
  // Bars have edges but no crossings.
  for (int y = 0; y < 240; ++y)
    for (int x = 0; x < 320; ++x) image.at(x, y) = x / 20 % 2 == 0 ? 0.1F : 0.9F;
  no_chart(image.view(), grid(9, 6));
  // A grid of separate dark squares: corners in plenty, none a crossing.
  for (int y = 0; y < 240; ++y)
    for (int x = 0; x < 320; ++x) image.at(x, y) = x / 16 % 2 == 0 && y / 16 % 2 == 0 ? 0.1F : 0.9F;
  no_chart(image.view(), grid(9, 6));
  // A fine checkerboard, one pixel per square, and of 4 pixels: no grid of 9 x 6.
  for (const int side : {1, 4}) {
    for (int y = 0; y < 240; ++y)
      for (int x = 0; x < 320; ++x) image.at(x, y) = (x / side + y / side) % 2 == 0 ? 0.1F : 0.9F;
    no_chart(image.view(), grid(9, 6));
  }
}

TEST_CASE("input that makes no sense") {
  Image<float> image(320, 240, 1);
  image.fill(0.5F);
  const auto code = [](ImageView<const float> view, const Chart& chart) {
    const auto corners = detect_checkerboard(view, chart);
    REQUIRE(!corners);
    CHECK(!corners.error().message.empty());
    return corners.error().code;
  };
  const auto invalid = ErrorCode::kInvalidInput;
  CHECK(code({nullptr, 0, 0, 1, 0}, grid(9, 6)) == invalid);
  CHECK(code({nullptr, 640, 480, 1, 640}, grid(9, 6)) == invalid);
  Image<float> one(1, 1, 1);
  one.fill(0.0F);
  CHECK(code(one.view(), grid(9, 6)) == invalid);
  Image<float> strip(1, 5000, 1);
  strip.fill(0.0F);
  CHECK(code(strip.view(), grid(9, 6)) == invalid);
  Image<float> colour(320, 240, 3);
  colour.fill(0.0F);
  CHECK(code(colour.view(), grid(9, 6)) == invalid);
  for (const auto& [columns, rows] :
       {std::pair{0, 6}, {9, 0}, {2, 6}, {9, 2}, {-9, 6}, {1000000, 1000000}, {401, 6}})
    CHECK(code(image.view(), grid(columns, rows)) == invalid);
  for (const double pitch : {0.0, -1.0, std::nan(""), HUGE_VAL}) {
    Chart chart = grid(9, 6);
    chart.pitch_mm = pitch;
    CHECK(code(image.view(), chart) == invalid);
  }
  CHECK(detect_checkerboard(image.view(), grid(9, 6), {.search_side_px = 0}).error().code ==
        invalid);
  CHECK(detect_checkerboard(image.view(), grid(9, 6), {.max_lost_share = std::nan("")})
            .error()
            .code == invalid);
  // The smallest image, and a long thin one, are searched.
  Image<float> smallest(32, 32, 1);
  smallest.fill(0.0F);
  CHECK(code(smallest.view(), grid(3, 3)) == ErrorCode::kNoChart);
  Image<float> thin(5000, 32, 1);
  thin.fill(0.0F);
  CHECK(code(thin.view(), grid(3, 3)) == ErrorCode::kNoChart);
}
