// Corners and edges of rendered charts against closed forms, exact areas and cv::cornerSubPix.

#include "charts/synth/chart_footage.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <random>
#include <string>
#include <vector>

#include "charts/synth/detail/inverse_rows.h"
#include "tests/charts/synth/measure.h"
#include "tests/charts/synth/rendered_chart.h"

using namespace trueplate;
using synth::ChartFootage;
using synth::ChartFootageOptions;
using tests::kChart;
using tests::kPlain;
using tests::pinhole;
using tests::pose;
using tests::rendered;
using tests::spherical;

namespace {

lens::Lens anamorphic(ImageSize size) {
  lens::Lens lens = pinhole({1828, 1556}, 1800.0);
  lens.focal_px.y() = 3650.0;
  lens.pixel_aspect = 2.0;
  lens.squeeze = 2.0;
  lens.principal_point_px += Point2d(-6.2, 9.4);
  lens.model = lens::RadialTangential({-0.17, 0.06, -0.01, -0.0011, 0.0009});
  return lens::scaled_to(lens, size);
}

/// Area of the part of the unit square at (x, y) where n . p < d, by the trapezium rule over
/// exact vertical sections.
double half_plane_share(double x, double y, const Point2d& n, double d) {
  constexpr int kSteps = 4000;
  double sum = 0.0;
  for (int i = 0; i < kSteps; ++i) {
    const double px = x + (i + 0.5) / kSteps;
    // n.y positive: the part below the line in y
    const double line = (d - n.x() * px) / n.y();
    sum += std::clamp(line - y, 0.0, 1.0);
  }
  return sum / kSteps;
}

double rms(const std::vector<double>& values) {
  double sum = 0.0;
  for (const double v : values) sum += v * v;
  return std::sqrt(sum / static_cast<double>(values.size()));
}

}  // namespace

TEST_CASE("a board square-on to a pinhole: corners by hand") {
  const lens::Lens lens = pinhole({400, 300}, 500.0);
  const ChartFootage footage =
      rendered(lens, kChart, pose(0, 0, 0, {-160.3, -100.7, 1000.0}), ChartFootageOptions{});
  CHECK(footage.truth.plate_size == ImageSize{400, 300});
  REQUIRE(footage.truth.corners.size() == 54);
  for (int j = 0; j < 6; ++j) {
    for (int i = 0; i < 9; ++i) {
      const target::Corner& corner = footage.truth.corners[static_cast<std::size_t>(j * 9 + i)];
      CHECK(corner.p_chart_mm == Eigen::Vector3d(40.0 * i, 40.0 * j, 0.0));
      // 500 px * (40 i - 160.3) mm / 1000 mm + 200 px
      CHECK(corner.p_plate_px.x() == doctest::Approx(200.0 + 20.0 * i - 80.15).epsilon(1e-12));
      CHECK(corner.p_plate_px.y() == doctest::Approx(150.0 + 20.0 * j - 50.35).epsilon(1e-12));
    }
  }
}

TEST_CASE("pixels of a board square-on to a pinhole: areas by hand") {
  const lens::Lens lens = pinhole({400, 300}, 500.0);
  const ChartFootage footage =
      rendered(lens, kChart, pose(0, 0, 0, {-160.0, -100.0, 1000.0}), kPlain);
  // Corner (0, 0) at (120, 100): pixels whole, black to its top left and bottom right.
  CHECK(footage.luminance.at(119, 99) == 0.0F);
  CHECK(footage.luminance.at(120, 99) == 1.0F);
  CHECK(footage.luminance.at(119, 100) == 1.0F);
  CHECK(footage.luminance.at(120, 100) == 0.0F);
  // The border is one square wide, x 80..100, and beyond it is nothing.
  CHECK(footage.luminance.at(80, 150) == 1.0F);
  CHECK(footage.luminance.at(79, 150) == 0.0F);
  // Mean of a whole field of squares
  double sum = 0.0;
  for (int y = 80; y < 220; ++y) {
    for (int x = 100; x < 300; ++x) sum += footage.luminance.at(x, y);
  }
  CHECK(sum == doctest::Approx(140.0 * 200.0 / 2.0));

  // Shifted by 0.3 and 0.6 px: a pixel at the crossing holds 0.3 * 0.6 + 0.7 * 0.4 of black.
  const ChartFootage shifted =
      rendered(lens, kChart, pose(0, 0, 0, {-159.4, -98.8, 1000.0}), kPlain);
  CHECK(shifted.luminance.at(120, 100) == doctest::Approx(1.0 - (0.3 * 0.6 + 0.7 * 0.4)));
  CHECK(shifted.luminance.at(120, 90) == doctest::Approx(0.7));
  CHECK(shifted.luminance.at(110, 100) == doctest::Approx(0.4));
}

TEST_CASE("area coverage of a slanted edge") {
  // Two huge squares' common edge through the plate, at many slopes.
  const lens::Lens lens = pinhole({64, 48}, 500.0);
  const target::Chart chart{.pitch_mm = 4000.0, .columns = 2, .rows = 2};
  double worst = 0.0;
  for (const double roll : {0.7, 3.0, 11.0, 29.0, 45.0, 71.0, 88.5}) {
    // The edge y_chart = 0 passes through the chart point (2000, 0), shown at (32.37, 24.21).
    const Eigen::Isometry3d rotation = pose(0, 0, roll, Eigen::Vector3d::Zero());
    const Eigen::Vector3d place(0.37 * 2.0, 0.21 * 2.0, 1000.0);
    const Eigen::Isometry3d camera_from_chart =
        pose(0, 0, roll, place - rotation * Eigen::Vector3d(2000.0, 0.0, 0.0));
    const ChartFootage footage = rendered(lens, chart, camera_from_chart, kPlain);
    const double rad = roll * std::numbers::pi / 180.0;
    const Point2d n(-std::sin(rad), std::cos(rad));
    const double d = n.dot(Point2d(32.37, 24.21));
    // Above the edge (y_chart < 0) this square is white: column 1, row 0.
    for (int y = 0; y < 48; ++y) {
      for (int x = 0; x < 64; ++x) {
        const double error = footage.luminance.at(x, y) - half_plane_share(x, y, n, d);
        worst = std::max(worst, std::abs(error));
      }
    }
  }
  MESSAGE("largest error of an edge pixel: ", worst, " of the contrast");
  CHECK(worst < 2e-6);
}

TEST_CASE("a blurred edge follows the closed form") {
  const lens::Lens lens = pinhole({64, 48}, 500.0);
  const target::Chart chart{.pitch_mm = 4000.0, .columns = 2, .rows = 2};
  for (const double sigma : {0.2, 0.4, 0.7, 1.3, 3.0}) {
    ChartFootageOptions options = kPlain;
    options.blur_sigma_px = sigma;
    double worst = 0.0;
    for (const double shift : {0.0, 0.13, 0.5, 0.81}) {
      const ChartFootage footage =
          rendered(lens, chart, pose(0, 0, 0, {2.0 * shift, -2000.0, 1000.0}), options);
      for (int x = 0; x < 64; ++x) {
        // Integral over the pixel of the Gaussian step at 32 + shift: with G(u) = u Phi(u) +
        // phi(u), sigma (G((x + 1 - e) / sigma) - G((x - e) / sigma)). Black right of the edge.
        const auto g = [](double u) {
          return u * 0.5 * std::erfc(-u / std::numbers::sqrt2) +
                 std::exp(-0.5 * u * u) / std::sqrt(2.0 * std::numbers::pi);
        };
        const double edge = 32.0 + shift;
        const double lit = sigma * (g((x + 1 - edge) / sigma) - g((x - edge) / sigma));
        worst = std::max(worst, std::abs(footage.luminance.at(x, 24) - (1.0 - lit)));
      }
    }
    MESSAGE("sigma ", sigma, " px: largest error ", worst, " of the contrast");
    CHECK(worst < 1.0 / 500.0);
  }
}

TEST_CASE("corners measured in the picture lie at the truth") {
  struct Case {
    const char* name;
    lens::Lens lens;
    Eigen::Isometry3d camera_from_chart;
  };
  const Case cases[] = {
      {"spherical, tilted", spherical({960, 540}), pose(12, 28, 7, {-180, -100, 700})},
      {"spherical, near the corner", spherical({960, 540}), pose(-15, 20, -4, {-590, -300, 1100})},
      {"anamorphic", anamorphic({914, 778}), pose(20, -25, 10, {-150, -90, 900})}};
  for (const Case& c : cases) {
    const ChartFootage footage =
        rendered(c.lens, kChart, c.camera_from_chart, ChartFootageOptions{});
    std::vector<double> errors;
    for (const target::Corner& corner : footage.truth.corners) {
      const Point2d p = corner.p_plate_px;
      if (p.x() < 12 || p.y() < 12 || p.x() > c.lens.plate_size.width - 12 ||
          p.y() > c.lens.plate_size.height - 12) {
        continue;
      }
      const Point2d start = p + Point2d(0.31, -0.27);
      errors.push_back((tests::saddle(footage.luminance, start, 1.3) - p).norm());
    }
    REQUIRE(errors.size() >= 25);
    const double worst = *std::max_element(errors.begin(), errors.end());
    MESSAGE(std::string(c.name),
            ": ",
            errors.size(),
            " corners, rms ",
            rms(errors),
            " px, worst ",
            worst);
    CHECK(rms(errors) < 0.001);
    CHECK(worst < 0.002);
  }
}

TEST_CASE("OpenCV's corner refinement finds the same corners") {
  // cv::cornerSubPix is the outside witness; its own systematic error with this blur is about
  // 0.01 px (measured on boards whose corners are known by hand).
  const lens::Lens lens = spherical({960, 540});
  const ChartFootage footage = rendered(
      lens, kChart, pose(8, -18, 3, {-150, -100, 520}), ChartFootageOptions{.blur_sigma_px = 1.5});
  cv::Mat picture(540, 960, CV_32F);
  std::memcpy(picture.data, footage.luminance.data(), footage.luminance.size() * sizeof(float));
  std::vector<cv::Point2f> points;
  for (const target::Corner& corner : footage.truth.corners) {
    // OpenCV counts from the centre of the first pixel.
    points.emplace_back(static_cast<float>(corner.p_plate_px.x() - 0.5),
                        static_cast<float>(corner.p_plate_px.y() - 0.5));
  }
  std::vector<cv::Point2f> found = points;
  cv::cornerSubPix(picture,
                   found,
                   {5, 5},
                   {-1, -1},
                   {cv::TermCriteria::EPS | cv::TermCriteria::COUNT, 200, 1e-6});
  std::vector<double> errors;
  for (std::size_t i = 0; i < found.size(); ++i) errors.push_back(cv::norm(found[i] - points[i]));
  REQUIRE(errors.size() == 54);
  MESSAGE("rms difference ", rms(errors), " px");
  CHECK(rms(errors) < 0.03);
}

TEST_CASE("the inverse inside a pixel is as exact as promised") {
  std::mt19937 random(20260117);
  std::uniform_real_distribution<double> inside(0.0, 1.0);
  for (const lens::Lens& lens : {spherical({1920, 1080}), anamorphic({1828, 1556})}) {
    const int width = lens.plate_size.width;
    synth::detail::InverseRows rows(lens, synth::detail::Projection::kLens, -2, width + 4);
    double worst = 0.0;
    for (int y = -2; y < lens.plate_size.height + 2; y += y < 4 ? 1 : 67) {
      rows.move_to(y);
      for (int i = 0; i < width + 4; i += 13) {
        const double s = inside(random);
        const double t = inside(random);
        const auto exact = lens::undistort_px(lens, {i - 2 + s, y + t});
        REQUIRE(exact.has_value());
        worst = std::max(worst, (rows.cell(i).at(s, t) - *exact).norm());
      }
    }
    MESSAGE("largest error inside a pixel: ", worst, " px");
    CHECK(worst < synth::detail::kInverseCellTolerancePx);
  }
}

TEST_CASE("edges bent by the lens are drawn where they are") {
  // A column of pixels holds as much white as the integral of the edge's height over its width
  // says.
  const target::Chart chart{.pitch_mm = 4000.0, .columns = 2, .rows = 2};
  for (const lens::Lens& lens : {spherical({1920, 1080}), anamorphic({1828, 1556})}) {
    const Eigen::Isometry3d camera_from_chart = pose(25, 10, 6, {-2000, -220, 1700});
    const ChartFootage footage = rendered(lens, chart, camera_from_chart, kPlain);
    // The place on the plate of the chart point (x_mm, 0)
    const auto place = [&](double x_mm) {
      const Eigen::Vector3d p = camera_from_chart * Eigen::Vector3d(x_mm, 0.0, 0.0);
      const auto px = lens::distort_px(lens, lens::px_from_ideal(lens, p.head<2>() / p.z()));
      REQUIRE(px.has_value());
      return *px;
    };
    const auto height_at = [&](double x_px) {
      double low = 1000.0;
      double high = 3000.0;
      for (int i = 0; i < 60; ++i) {
        const double middle = 0.5 * (low + high);
        (place(middle).x() < x_px ? low : high) = middle;
      }
      return place(low).y();
    };
    double worst = 0.0;
    int num_columns = 0;
    for (int x = 3; x < lens.plate_size.width - 3; x += 41) {
      double exact = 0.0;
      for (const double t :
           {0.5 - std::sqrt(0.15), 0.5, 0.5 + std::sqrt(0.15)}) {  // Gauss, 3 points
        exact += (t == 0.5 ? 8.0 : 5.0) / 18.0 * height_at(x + t);
      }
      if (exact < 2.0 || exact > lens.plate_size.height - 2.0) continue;
      double drawn = 0.0;  // column 1 of the board: white above the edge
      for (int y = 0; y < lens.plate_size.height; ++y) drawn += footage.luminance.at(x, y);
      worst = std::max(worst, std::abs(drawn - exact));
      ++num_columns;
    }
    MESSAGE(num_columns, " columns, largest error of the edge ", worst, " px");
    CHECK(num_columns > 10);
    CHECK(worst < synth::kEdgeTolerancePx);
  }
}
