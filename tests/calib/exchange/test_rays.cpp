// Points as rays: below 90 degrees off the axis against cv::fisheye::projectPoints of OpenCV 4.6,
// beyond, where that library has no answer, against closed forms.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/calib3d.hpp>
#include <string>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "calib/exchange/points.h"

using namespace trueplate;
using exchange::PointsDirection;
using exchange::transform_points;
using exchange::TransformedPoints;

namespace {

constexpr double kDegree = std::numbers::pi / 180.0;
constexpr double kFocalPx = 500.0;

lens::Lens wide_lens(const lens::Model& model) {
  lens::Lens lens;
  lens.plate_size = {3200, 3200};
  lens.focal_px = {kFocalPx, 1.001 * kFocalPx};
  lens.principal_point_px = {1607.25, 1594.5};
  lens.model = model;
  return lens;
}

Eigen::Vector3d ray_at(double angle, double azimuth) {
  return {
      std::sin(angle) * std::cos(azimuth), std::sin(angle) * std::sin(azimuth), std::cos(angle)};
}

/// A file with a point at each place, among columns that pass through.
std::string csv_of(const std::vector<Point2d>& points) {
  std::string text = "# image: 3200x3200\ntrack,x,y,note\n";
  for (const Point2d& p : points) {
    text += fmt::format("a,{},{},\"b, c\"\n", to_lossless_text(p.x()), to_lossless_text(p.y()));
  }
  return text;
}

TransformedPoints done(const std::string& csv, const lens::Lens& lens, PointsDirection direction) {
  Result<TransformedPoints> result = transform_points(csv, "in.csv", lens, direction);
  REQUIRE_MESSAGE(result.has_value(), (result ? "" : result.error().message));
  return std::move(*result);
}

std::string error_of(const std::string& csv, PointsDirection direction) {
  const auto result = transform_points(csv, "in.csv", wide_lens(lens::Equidistant()), direction);
  return result ? "no error" : result.error().message;
}

std::vector<Eigen::Vector3d> rays_of(const std::string& csv) {
  const Result<CsvTable> table = CsvTable::parse(csv, "test");
  REQUIRE(table);
  std::vector<Eigen::Vector3d> rays;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    rays.emplace_back(*table->number(row, *table->column("ray_x")),
                      *table->number(row, *table->column("ray_y")),
                      *table->number(row, *table->column("ray_z")));
  }
  return rays;
}

/// Points to rays, which are to be `wanted`, and back to the points.
void check_both_ways(const lens::Lens& lens,
                     const std::vector<Point2d>& points,
                     const std::vector<Eigen::Vector3d>& wanted,
                     double tolerance) {
  const std::string csv = csv_of(points);
  const TransformedPoints rays = done(csv, lens, PointsDirection::kToRays);
  CHECK(rays.report.num_moved == points.size());
  CHECK(rays.text.find("track,ray_x,ray_y,ray_z,note\n") != std::string::npos);
  const std::vector<Eigen::Vector3d> found = rays_of(rays.text);
  REQUIRE(found.size() == wanted.size());
  double worst = 0.0;
  double farthest = 0.0;
  for (std::size_t i = 0; i < wanted.size(); ++i) {
    worst = std::max(worst, (found[i] - wanted[i].normalized()).norm());
    farthest = std::max(farthest, std::acos(wanted[i].normalized().z()) / kDegree);
  }
  CHECK(worst < tolerance);
  CHECK(rays.report.max_angle_deg == doctest::Approx(farthest).epsilon(1e-6));

  const TransformedPoints back = done(rays.text, lens, PointsDirection::kFromRays);
  const Result<CsvTable> table = CsvTable::parse(back.text, "back");
  REQUIRE(table);
  CHECK(back.text.starts_with("# image: 3200x3200\ntrack,x,y,note\n"));
  CHECK(table->cell(0, 3) == "b, c");
  for (std::size_t row = 0; row < points.size(); ++row) {
    const Point2d p(*table->number(row, 1), *table->number(row, 2));
    CHECK((p - points[row]).norm() < exchange::kPointsRoundTripPx);
  }
}

}  // namespace

TEST_CASE("below 90 degrees the rays are those that cv::fisheye images there") {
  const std::array k{0.02, -0.006, 0.001, -0.0002};
  const lens::Lens lens = wide_lens(lens::Equidistant(k));
  std::vector<Eigen::Vector3d> rays;
  std::vector<cv::Point3d> scene;
  for (int i = 0; i <= 20; ++i) {
    rays.push_back(ray_at(89.5 * kDegree * i / 20.0, 0.9 * i));
    scene.emplace_back(rays.back().x(), rays.back().y(), rays.back().z());
  }
  // The library has pixel centres at whole numbers.
  const cv::Matx33d camera(lens.focal_px.x(),
                           0,
                           lens.principal_point_px.x() - 0.5,
                           0,
                           lens.focal_px.y(),
                           lens.principal_point_px.y() - 0.5,
                           0,
                           0,
                           1);
  std::vector<cv::Point2d> images;
  cv::fisheye::projectPoints(
      scene, images, cv::Vec3d(), cv::Vec3d(), camera, cv::Vec4d(k[0], k[1], k[2], k[3]));
  std::vector<Point2d> points;
  for (const cv::Point2d& p : images) points.emplace_back(p.x + 0.5, p.y + 0.5);
  check_both_ways(lens, points, rays, 1e-9);
}

TEST_CASE("at 90 degrees and beyond the rays are those of the closed forms") {
  const std::array angles{0.0, 45.0, 89.999, 90.0, 90.001, 110.0, 135.0};
  // h = t + k1 t^3, k1 = -0.01: grows up to 330 degrees.
  lens::Lens lens = wide_lens(lens::Equidistant({-0.01, 0.0, 0.0, 0.0}));
  std::vector<Point2d> points;
  std::vector<Eigen::Vector3d> rays;
  for (const double degrees : angles) {
    const double t = degrees * kDegree;
    const double height = t - 0.01 * t * t * t;
    points.push_back(lens::px_from_ideal(lens, height * Point2d(std::cos(0.4), std::sin(0.4))));
    rays.push_back(ray_at(t, 0.4));
  }
  check_both_ways(lens, points, rays, 1e-9);

  // Division: the ray of p' is (p', 1 + lambda r^2).
  lens = wide_lens(lens::DivisionOneTerm({-0.25}));
  points.clear();
  rays.clear();
  for (const double height : {0.0, 0.5, 1.9999, 2.0, 2.0001, 2.5, 3.0}) {
    const Point2d p = height * Point2d(0.6, -0.8);
    points.push_back(lens::px_from_ideal(lens, p));
    rays.emplace_back(p.x(), p.y(), 1.0 - 0.25 * height * height);
  }
  check_both_ways(lens, points, rays, 1e-9);
}

TEST_CASE("a ray may have any length; gaps stay, and what the lens does not image is left blank") {
  const std::string csv =
      "ray_x,ray_y,ray_z,frame\n0,0,5,1\n,,,2\n0,0,0,3\n0,0,-1,4\n1e-3,0,-1e-3,5\n";
  const TransformedPoints back =
      done(csv, wide_lens(lens::Equidistant()), PointsDirection::kFromRays);
  CHECK(back.text.starts_with("x,y,frame\n1607.25,1594.5,1\n,,2\n,,3\n,,4\n"));
  const Result<CsvTable> table = CsvTable::parse(back.text, "back");
  REQUIRE(table);
  CHECK(*table->number(4, 0) ==
        doctest::Approx(1607.25 + kFocalPx * 0.75 * std::numbers::pi).epsilon(1e-14));
  CHECK(back.report.num_moved == 2);
  CHECK(back.report.num_gaps == 1);
  CHECK(back.report.num_without_answer == 2);
  CHECK(back.report.lines_without_answer == std::vector<std::size_t>{4, 5});
  CHECK(back.report.num_outside_plate == 0);
  // A model of the plane at distance 1 has no ray behind the camera.
  const TransformedPoints flat = done("ray_x,ray_y,ray_z\n0.1,0,1\n1,0,0\n",
                                      wide_lens(lens::RadialTangential()),
                                      PointsDirection::kFromRays);
  CHECK(flat.report.num_moved == 1);
  CHECK(flat.report.num_without_answer == 1);
}

TEST_CASE("what cannot be read is refused with its place") {
  CHECK(error_of("a,b\n1,2\n", PointsDirection::kToRays).find("no column 'x'") !=
        std::string::npos);
  CHECK(error_of("x,y\n1,2\n", PointsDirection::kFromRays).find("no column 'ray_x'") !=
        std::string::npos);
  CHECK(error_of("x,y,ray_z\n1,2,3\n", PointsDirection::kToRays).find("'ray_z'") !=
        std::string::npos);
  CHECK(error_of("ray_x,ray_y,ray_z\n1,,3\n", PointsDirection::kFromRays)
            .find("in.csv:2: ray_y is blank") != std::string::npos);
  CHECK(error_of("ray_x,ray_y,ray_z\n1,infinite,3\n", PointsDirection::kFromRays)
            .find("ray_y is 'infinite'") != std::string::npos);
  CHECK(error_of("", PointsDirection::kFromRays).find("is empty") != std::string::npos);
}
