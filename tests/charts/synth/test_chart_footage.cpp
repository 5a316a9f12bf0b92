#include "charts/synth/chart_footage.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <cstring>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <random>

#include "charts/synth/detail/inverse_rows.h"
#include "tests/charts/synth/measure.h"

using namespace trueplate;
using synth::ChartFootage;
using synth::ChartFootageOptions;
using synth::render_chart;

namespace {

lens::Lens pinhole(ImageSize size, double focal_px) {
  return {.plate_size = size,
          .film_back = std::nullopt,
          .focal_px = {focal_px, focal_px},
          .principal_point_px = {0.5 * size.width, 0.5 * size.height},
          .model = lens::RadialTangential()};
}

lens::Lens spherical(ImageSize size) {
  lens::Lens lens = pinhole({1920, 1080}, 1939.0);
  lens.principal_point_px += Point2d(8.3, -5.1);
  lens.model = lens::RadialTangential({-0.15, 0.045, -0.008, 0.0005, -0.0004});
  return lens::scaled_to(lens, size);
}

lens::Lens anamorphic(ImageSize size) {
  lens::Lens lens = pinhole({1828, 1556}, 1800.0);
  lens.focal_px.y() = 3650.0;
  lens.pixel_aspect = 2.0;
  lens.squeeze = 2.0;
  lens.principal_point_px += Point2d(-6.2, 9.4);
  lens.model = lens::RadialTangential({-0.17, 0.06, -0.01, -0.0011, 0.0009});
  return lens::scaled_to(lens, size);
}

Eigen::Isometry3d pose(double x_deg, double y_deg, double z_deg, const Eigen::Vector3d& shift_mm) {
  const double rad = std::numbers::pi / 180.0;
  Eigen::Isometry3d result = Eigen::Isometry3d::Identity();
  result.linear() = (Eigen::AngleAxisd(x_deg * rad, Eigen::Vector3d::UnitX()) *
                     Eigen::AngleAxisd(y_deg * rad, Eigen::Vector3d::UnitY()) *
                     Eigen::AngleAxisd(z_deg * rad, Eigen::Vector3d::UnitZ()))
                        .toRotationMatrix();
  result.translation() = shift_mm;
  return result;
}

ChartFootage rendered(const lens::Lens& lens,
                      const target::Chart& chart,
                      const Eigen::Isometry3d& camera_from_chart,
                      const ChartFootageOptions& options) {
  Result<ChartFootage> result = render_chart(lens, chart, camera_from_chart, options);
  REQUIRE_MESSAGE(result.has_value(), (result ? "" : result.error().message));
  return std::move(result).value();
}

bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

const target::Chart kChart{.pitch_mm = 40.0, .columns = 9, .rows = 6};
const ChartFootageOptions kPlain{.look = {.white = 1.0, .black = 0.0, .surroundings = 0.0},
                                 .blur_sigma_px = 0.0};

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

/// Largest difference of the pixels of some rows from a mean over 32 x 96 rays of a pinhole lens,
/// met with the plane of kChart (black 0, white 1, nothing 0) one by one.
double worst_against_rays(const lens::Lens& lens,
                          const Eigen::Isometry3d& camera_from_chart,
                          const Image<float>& luminance,
                          int y_begin,
                          int y_end) {
  const Eigen::Isometry3d chart_from_camera = camera_from_chart.inverse();
  const Eigen::Vector3d eye = chart_from_camera.translation();
  double worst = 0.0;
  for (int y = y_begin; y < y_end; ++y) {
    for (int x = 0; x < luminance.width(); x += 7) {
      double sum = 0.0;
      for (int k = 0; k < 3072; ++k) {
        const Point2d place(x + (k % 32 + 0.5) / 32.0, y + (k / 32 + 0.5) / 96.0);
        const Point2d ideal = (place - lens.principal_point_px).cwiseQuotient(lens.focal_px);
        const Eigen::Vector3d ray =
            chart_from_camera.linear() * Eigen::Vector3d(ideal.x(), ideal.y(), 1.0);
        const double t = -eye.z() / ray.z();
        if (!(t > 0.0)) continue;
        const double u = (eye.x() + t * ray.x()) / kChart.pitch_mm;
        const double v = (eye.y() + t * ray.y()) / kChart.pitch_mm;
        if (u < -2.0 || v < -2.0 || u > 10.0 || v > 7.0) continue;
        const bool border = u < -1.0 || v < -1.0 || u > 9.0 || v > 6.0;
        const double square = std::floor(u) + std::floor(v);
        if (border || std::fmod(square + 100.0, 2.0) == 1.0) sum += 1.0 / 3072.0;
      }
      worst = std::max(worst, std::abs(sum - luminance.at(x, y)));
    }
  }
  return worst;
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

TEST_CASE("boards that are not, or not wholly, in the picture") {
  const lens::Lens lens = pinhole({160, 120}, 200.0);
  const ChartFootageOptions options{.blur_sigma_px = 0.7};
  const auto board_area = [&](const ChartFootage& footage) {
    double count = 0.0;
    for (std::size_t i = 0; i < footage.luminance.size(); ++i) {
      if (!std::isfinite(footage.luminance.data()[i])) FAIL("not finite at ", i);
      if (footage.luminance.data()[i] > 0.5F) ++count;
    }
    return count;
  };
  SUBCASE("behind the camera") {
    const ChartFootage footage = rendered(lens, kChart, pose(0, 0, 0, {-160, -100, -500}), options);
    CHECK(footage.truth.corners.empty());
    CHECK(board_area(footage) == 0.0);
  }
  SUBCASE("seen from behind") {
    const ChartFootage footage = rendered(lens, kChart, pose(0, 180, 0, {160, -100, 600}), options);
    CHECK(footage.truth.corners.empty());
    CHECK(board_area(footage) > 1000.0);
    CHECK(footage.luminance.at(80, 60) == doctest::Approx(options.look.white));
  }
  SUBCASE("partly outside") {
    const ChartFootage footage = rendered(lens, kChart, pose(0, 0, 0, {0, 0, 500}), options);
    CHECK(footage.truth.corners.size() < 54);
    CHECK(footage.truth.corners.size() > 4);
    for (const target::Corner& corner : footage.truth.corners) {
      CHECK(corner.p_plate_px.x() <= 160.0);
      CHECK(corner.p_plate_px.y() <= 120.0);
    }
  }
  SUBCASE("through the plane of the camera") {
    // The board lies like a table under the camera and passes behind it.
    const Eigen::Isometry3d table = pose(-78, 0, 9, {-170, 60, 150});
    const ChartFootage footage = rendered(lens, kChart, table, kPlain);
    CHECK(board_area(footage) > 1000.0);
    CHECK(worst_against_rays(lens, table, footage.luminance, 0, 120) < 0.04);
    // The same with the eye a hair above the board, whose horizon runs through a pixel.
    lens::Lens raised = lens;
    raised.principal_point_px.y() = 60.35;
    const Eigen::Isometry3d grazing = pose(-90, 0, 0, {-160, 0.25, 120});
    const ChartFootage thin = rendered(raised, kChart, grazing, kPlain);
    CHECK(worst_against_rays(raised, grazing, thin.luminance, 55, 65) < 0.04);
    // Corners behind the camera have no image.
    const auto corners = synth::project_corners(lens, kChart, table);
    int num_behind = 0;
    for (int j = 0; j < 6; ++j) {
      for (int i = 0; i < 9; ++i) {
        const bool behind = (table * Eigen::Vector3d(40.0 * i, 40.0 * j, 0.0)).z() <= 0.0;
        CHECK(corners[static_cast<std::size_t>(j * 9 + i)].has_value() == !behind);
        if (behind) ++num_behind;
      }
    }
    CHECK(num_behind > 4);
    CHECK(num_behind < 50);
  }
  SUBCASE("edge on, and with the camera in the plane of the board") {
    for (const double tilt : {90.0, 89.9999, 90.0001}) {
      const ChartFootage footage =
          rendered(lens, kChart, pose(tilt, 0, 0, {-160, 0, 500}), options);
      CHECK(board_area(footage) == 0.0);
    }
  }
  SUBCASE("so far away that all squares fall into one pixel") {
    const target::Chart fine{.pitch_mm = 1.0, .columns = 1000, .rows = 1000};
    const ChartFootage footage =
        rendered(lens, fine, pose(0, 0, 0, {-499.5, -499.5, 500000.0}), options);
    CHECK(footage.luminance.at(80, 60) < options.look.white);
    CHECK(std::isfinite(footage.luminance.at(80, 60)));
  }
}

TEST_CASE("blur from nothing to the largest keeps the light") {
  const lens::Lens lens = pinhole({200, 160}, 200.0);
  double reference = 0.0;
  for (const double sigma : {0.0, 0.01, 0.05, 0.3, 1.0, 5.0, 12.0}) {
    ChartFootageOptions options = kPlain;
    options.blur_sigma_px = sigma;
    const ChartFootage footage =
        rendered(lens, kChart, pose(10, 20, 30, {-60, -100, 1500}), options);
    double sum = 0.0;
    for (std::size_t i = 0; i < footage.luminance.size(); ++i) sum += footage.luminance.data()[i];
    if (sigma == 0.0) reference = sum;
    CHECK(sum == doctest::Approx(reference).epsilon(1e-4));
  }
  ChartFootageOptions options = kPlain;
  options.blur_sigma_px = synth::kMaxBlurSigmaPx;
  CHECK(render_chart(lens, kChart, pose(0, 0, 0, {-160, -100, 500}), options).has_value());
}

TEST_CASE("a lens without an inverse over the plate leaves black and alpha zero") {
  lens::Lens lens = pinhole({200, 160}, 100.0);
  lens.model = lens::RadialTangential({-0.6, 0.0, 0.0, 0.0, 0.0});
  REQUIRE(lens::invertible_share_of_border(lens) < 0.5);
  const ChartFootage footage = rendered(
      lens, kChart, pose(0, 0, 0, {-160, -100, 300}), ChartFootageOptions{.noise_sigma = 0.01});
  CHECK(footage.alpha.at(0, 0) == 0.0F);
  CHECK(footage.luminance.at(0, 0) == 0.0F);
  CHECK(footage.alpha.at(100, 80) == doctest::Approx(1.0));
  for (std::size_t i = 0; i < footage.luminance.size(); ++i) {
    if (!std::isfinite(footage.luminance.data()[i])) FAIL("not finite at ", i);
  }
}

TEST_CASE("threads and seeds") {
  const lens::Lens lens = spherical({320, 180});
  const Eigen::Isometry3d camera_from_chart = pose(12, 28, 7, {-180, -100, 700});
  ChartFootageOptions options{
      .noise_sigma = 0.02, .seed = 7, .vignetting = 0.3, .light_slope = 0.2, .threads = 1};
  const ChartFootage one = rendered(lens, kChart, camera_from_chart, options);
  for (const int threads : {2, 3, 8}) {
    options.threads = threads;
    const ChartFootage many = rendered(lens, kChart, camera_from_chart, options);
    CHECK(same_bits(one.luminance, many.luminance));
    CHECK(same_bits(one.alpha, many.alpha));
  }
  options.seed = 8;
  CHECK_FALSE(
      same_bits(one.luminance, rendered(lens, kChart, camera_from_chart, options).luminance));

  // The noise has the size that was asked for and no bias.
  options.noise_sigma = 0.0;
  const ChartFootage clean = rendered(lens, kChart, camera_from_chart, options);
  double sum = 0.0;
  double sum2 = 0.0;
  for (std::size_t i = 0; i < clean.luminance.size(); ++i) {
    const double d = one.luminance.data()[i] - clean.luminance.data()[i];
    sum += d;
    sum2 += d * d;
  }
  const auto n = static_cast<double>(clean.luminance.size());
  CHECK(std::abs(sum / n) < 4.0 * 0.02 / std::sqrt(n));
  CHECK(std::sqrt(sum2 / n) == doctest::Approx(0.02).epsilon(4.0 / std::sqrt(2.0 * n)));
}

TEST_CASE("vignetting and slope of the light") {
  const lens::Lens lens = pinhole({200, 100}, 100.0);
  ChartFootageOptions options{.look = {.surroundings = 0.5, .surroundings_gradient = 0.0},
                              .blur_sigma_px = 0.0,
                              .vignetting = 0.4};
  const Eigen::Isometry3d away = pose(0, 0, 0, {0, 0, -100});
  const ChartFootage vignetted = rendered(lens, kChart, away, options);
  CHECK(vignetted.luminance.at(100, 50) == doctest::Approx(0.5).epsilon(1e-3));
  CHECK(vignetted.luminance.at(0, 0) == doctest::Approx(0.3).epsilon(0.02));
  options.vignetting = 0.0;
  options.light_slope = 0.5;
  const ChartFootage sloped = rendered(lens, kChart, away, options);
  CHECK(sloped.luminance.at(0, 50) == doctest::Approx(0.5).epsilon(0.01));
  CHECK(sloped.luminance.at(199, 50) == doctest::Approx(0.25).epsilon(0.01));
}

TEST_CASE("input that makes no sense is refused with a reason") {
  const lens::Lens lens = pinhole({32, 24}, 50.0);
  const Eigen::Isometry3d good = pose(0, 0, 0, {-160, -100, 500});
  const auto message = [&](const lens::Lens& l,
                           const target::Chart& c,
                           const Eigen::Isometry3d& p,
                           const ChartFootageOptions& o) {
    const Result<ChartFootage> result = render_chart(l, c, p, o);
    REQUIRE_FALSE(result.has_value());
    CHECK(result.error().code == ErrorCode::kInvalidInput);
    return result.error().message;
  };
  lens::Lens broken = lens;
  broken.focal_px.x() = NAN;
  CHECK(message(broken, kChart, good, {}).find("focal length") != std::string::npos);
  CHECK(message(lens, {.pitch_mm = 40.0, .columns = 0, .rows = 6}, good, {}).find("corners") !=
        std::string::npos);
  CHECK(message(lens, {.pitch_mm = NAN, .columns = 9, .rows = 6}, good, {}).find("pitch") !=
        std::string::npos);
  CHECK(message(lens, {.pitch_mm = 1.0, .columns = 2000000000, .rows = 6}, good, {})
            .find("2000000000") != std::string::npos);
  CHECK(message(lens, kChart, good, {.blur_sigma_px = -1.0}).find("blur") != std::string::npos);
  CHECK(message(lens, kChart, good, {.blur_sigma_px = 1e9}).find("blur") != std::string::npos);
  CHECK(message(lens, kChart, good, {.noise_sigma = NAN}).find("noise") != std::string::npos);
  Eigen::Isometry3d stretched = good;
  stretched.linear() *= 2.0;
  CHECK(message(lens, kChart, stretched, {}).find("rotation") != std::string::npos);
  Eigen::Isometry3d nowhere = good;
  nowhere.translation().x() = NAN;
  CHECK(message(lens, kChart, nowhere, {}).find("finite") != std::string::npos);
}
