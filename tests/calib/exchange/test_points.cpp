#include "calib/exchange/points.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <opencv2/calib3d.hpp>
#include <random>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "tests/support/test_data.h"

using trueplate::CsvTable;
using trueplate::Overwrite;
using trueplate::Point2d;
using trueplate::Result;
using trueplate::exchange::kPointsRoundTripPx;
using trueplate::exchange::PointsDirection;
using trueplate::exchange::transform_points;
using trueplate::exchange::TransformedPoints;
using trueplate::lens::Lens;
using trueplate::lens::RadialTangential;

namespace {

Lens moderate_lens() {
  Lens lens;
  lens.plate_size = {1920, 1080};
  lens.focal_px = {1800.0, 1795.0};
  lens.principal_point_px = {966.0, 537.0};
  lens.model = RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005});
  return lens;
}

/// Points over the plate, its corners and a band of overscan included.
std::vector<Point2d> plate_points() {
  std::vector<Point2d> points;
  for (int y = -40; y <= 1120; y += 40) {
    for (int x = -60; x <= 1980; x += 40) points.emplace_back(x + 0.123, y - 0.377);
  }
  for (const double y : {0.0, 1080.0}) {
    for (const double x : {0.0, 1920.0}) points.emplace_back(x, y);
  }
  return points;
}

std::string csv_of(const std::vector<Point2d>& points) {
  std::string text = "track,x,y,note\r\n";
  for (std::size_t i = 0; i < points.size(); ++i) {
    text += fmt::format("{},{},{},\"a, {}\"\r\n",
                        i,
                        trueplate::to_lossless_text(points[i].x()),
                        trueplate::to_lossless_text(points[i].y()),
                        i);
  }
  return text;
}

std::vector<Point2d> points_of(const std::string& csv) {
  const Result<CsvTable> table = CsvTable::parse(csv, "test");
  REQUIRE(table);
  std::vector<Point2d> points;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    points.emplace_back(*table->number(row, *table->column("x")),
                        *table->number(row, *table->column("y")));
  }
  return points;
}

TransformedPoints transformed(const std::string& csv, const Lens& lens, PointsDirection direction) {
  Result<TransformedPoints> result = transform_points(csv, "in.csv", lens, direction);
  REQUIRE_MESSAGE(result.has_value(), (result ? "" : result.error().message));
  return std::move(*result);
}

std::string error_of(const std::string& csv, const Lens& lens) {
  const auto result = transform_points(csv, "in.csv", lens, PointsDirection::kUndistort);
  return result ? "no error" : result.error().message;
}

/// OpenCV counts pixel centres in whole numbers, half a pixel less than the plate frame.
cv::Mat camera_matrix(const Lens& lens) {
  return (cv::Mat_<double>(3, 3) << lens.focal_px.x(),
          0.0,
          lens.principal_point_px.x() - 0.5,
          0.0,
          lens.focal_px.y(),
          lens.principal_point_px.y() - 0.5,
          0.0,
          0.0,
          1.0);
}

cv::Mat opencv_coefficients(const Lens& lens) {
  const auto& [k1, k2, k3, p1, p2] = std::get<RadialTangential>(lens.model).parameters();
  return (cv::Mat_<double>(1, 5) << k1, k2, p1, p2, k3);
}

}  // namespace

TEST_CASE("undistort agrees with cv::undistortPoints, redistort with cv::projectPoints") {
  const Lens lens = moderate_lens();
  const std::vector<Point2d> plate = plate_points();
  const std::vector<Point2d> straight =
      points_of(transformed(csv_of(plate), lens, PointsDirection::kUndistort).text);
  const std::vector<Point2d> bent =
      points_of(transformed(csv_of(plate), lens, PointsDirection::kRedistort).text);

  std::vector<cv::Point2d> from;
  std::vector<cv::Point3d> rays;
  for (const Point2d& p : plate) {
    from.emplace_back(p.x() - 0.5, p.y() - 0.5);
    rays.emplace_back((p.x() - lens.principal_point_px.x()) / lens.focal_px.x(),
                      (p.y() - lens.principal_point_px.y()) / lens.focal_px.y(),
                      1.0);
  }
  const cv::Mat camera = camera_matrix(lens);
  const cv::Mat coefficients = opencv_coefficients(lens);
  std::vector<cv::Point2d> opencv_straight;
  // The plain overload stops after five steps, 0.003 px and more short of the answer.
  cv::undistortPoints(
      from,
      opencv_straight,
      camera,
      coefficients,
      cv::noArray(),
      camera,
      cv::TermCriteria(cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 500, 1e-14));
  std::vector<cv::Point2d> opencv_bent;
  const cv::Vec3d none(0.0, 0.0, 0.0);
  cv::projectPoints(rays, none, none, camera, coefficients, opencv_bent);

  double worst_straight = 0.0;
  double worst_bent = 0.0;
  for (std::size_t i = 0; i < plate.size(); ++i) {
    const Point2d a(opencv_straight[i].x + 0.5, opencv_straight[i].y + 0.5);
    const Point2d b(opencv_bent[i].x + 0.5, opencv_bent[i].y + 0.5);
    worst_straight = std::max(worst_straight, (straight[i] - a).norm());
    worst_bent = std::max(worst_bent, (bent[i] - b).norm());
  }
  MESSAGE("largest difference, px: undistort ", worst_straight, ", redistort ", worst_bent);
  CHECK(worst_straight < 1e-8);
  CHECK(worst_bent < 1e-9);
}

TEST_CASE("there and back returns within the promised distance") {
  const std::vector<Point2d> plate = plate_points();
  for (const double scale : {1.0, 5.0}) {  // focal lengths 1800 and 9000 px, the same lens
    Lens lens = moderate_lens();
    lens = trueplate::lens::scaled_to(
        lens, {static_cast<int>(1920 * scale), static_cast<int>(1080 * scale)});
    std::vector<Point2d> points;
    points.reserve(plate.size());
    for (const Point2d& p : plate) points.push_back(scale * p);
    const TransformedPoints there = transformed(csv_of(points), lens, PointsDirection::kUndistort);
    CHECK(there.report.num_moved == points.size());
    CHECK(there.report.max_shift_px > 10.0);
    const std::vector<Point2d> back =
        points_of(transformed(there.text, lens, PointsDirection::kRedistort).text);
    double worst = 0.0;
    for (std::size_t i = 0; i < points.size(); ++i) {
      worst = std::max(worst, (back[i] - points[i]).norm());
    }
    MESSAGE("focal length ", lens.focal_px.x(), " px: largest distance ", worst, " px");
    CHECK(worst < kPointsRoundTripPx);
  }
}

TEST_CASE("all but x and y passes through byte for byte, gaps stay gaps") {
  // Powers of two and no distortion: the way through the lens is exact.
  Lens lens = moderate_lens();
  lens.focal_px = {1024.0, 1024.0};
  lens.principal_point_px = {512.0, 512.0};
  lens.model = RadialTangential();
  const std::string content =
      "\xEF\xBB\xBF# image: 1920x1080\r\n# any: thing\r\n\"note\",y,x\r\n\"a, \"\"b\"\"\",1e1,"
      "2.50\r\n\r\nlatin\xE9, ,\r\n";
  const TransformedPoints result = transformed(content, lens, PointsDirection::kUndistort);
  CHECK(result.text ==
        "\xEF\xBB\xBF# image: 1920x1080\r\n# any: thing\r\n\"note\",y,x\r\n\"a, \"\"b\"\"\",10,"
        "2.5\r\n\r\nlatin\xE9, ,\r\n");
  CHECK(result.report.num_rows == 2);
  CHECK(result.report.num_moved == 1);
  CHECK(result.report.num_gaps == 1);
  CHECK(result.report.num_without_answer == 0);
  CHECK_FALSE(result.report.lens_scaled);
}

TEST_CASE("points the lens cannot map keep their row and are counted") {
  Lens lens = moderate_lens();
  lens.principal_point_px = {960.0, 540.0};
  lens.focal_px = {500.0, 500.0};
  lens.model = RadialTangential({-0.3, 0.0, 0.0, 0.0, 0.0});
  // The largest image height is that of the fold radius 1 / sqrt(0.9): 500 * 0.7027 = 351.4 px.
  const std::string csv =
      "track,frame,x,y\na,1,1311,540\na,2,1312,540\na,3,1e300,540\nb,1,960,540\n";
  const TransformedPoints result = transformed(csv, lens, PointsDirection::kUndistort);
  const Result<CsvTable> table = CsvTable::parse(result.text, "out");
  REQUIRE(table);
  REQUIRE(table->num_rows() == 4);
  CHECK_FALSE(table->is_blank(0, 2));
  for (const std::size_t row : {1, 2}) {
    CHECK(table->cell(row, 0) == "a");
    CHECK(table->is_blank(row, 2));
    CHECK(table->is_blank(row, 3));
  }
  CHECK(*table->number(3, 2) == 960.0);
  CHECK(result.report.num_moved == 2);
  CHECK(result.report.num_without_answer == 2);
  CHECK(result.report.lines_without_answer == std::vector<std::size_t>{3, 4});
}

TEST_CASE("another size of the same shape scales the lens, another shape is refused") {
  const Lens lens = moderate_lens();
  const Point2d p_full(1700.0, 900.0);
  const Point2d straight_full = *trueplate::lens::undistort_px(lens, p_full);
  const TransformedPoints half =
      transformed("# image: 960x540\nx,y\n850,450\n", lens, PointsDirection::kUndistort);
  CHECK(half.report.lens_scaled);
  CHECK(half.report.image_size == trueplate::ImageSize{960, 540});
  CHECK((points_of(half.text)[0] - 0.5 * straight_full).norm() < 1e-9);
  // The height of the same shape at a width of 1917 is 1078.3.
  CHECK(error_of("# image: 1917x1078\nx,y\n1,1\n", lens) == "no error");
  CHECK(error_of("# image: 1920x1081\nx,y\n1,1\n", lens)
            .starts_with("in.csv: the picture is 1920x1081"));
  CHECK(error_of("# image: 2048x1080\nx,y\n1,1\n", lens).find("another shape") !=
        std::string::npos);
  CHECK(error_of("# image: 1080x1920\nx,y\n1,1\n", lens).find("another shape") !=
        std::string::npos);
}

TEST_CASE("bad input is refused with line and column") {
  const Lens lens = moderate_lens();
  CHECK(error_of("x,y\n1,2\n3,\n", lens) == "in.csv:3: y is blank, wanted a number");
  CHECK(error_of("x,y\ninfinite,1\n", lens) == "in.csv:2: x is 'infinite', wanted a number");
  CHECK(error_of("x,y\n1,1e999\n", lens) == "in.csv:2: y is '1e999', wanted a number");
  CHECK(error_of("x,z\n1,1\n", lens).starts_with("in.csv:1: no column 'y'"));
  CHECK(error_of("", lens).starts_with("in.csv:1: is empty"));
  CHECK(error_of("# image: 0x0\nx,y\n", lens).starts_with("in.csv: the comment '# image:'"));
  CHECK(error_of("x,y\n", lens) == "no error");
  CHECK(error_of("x,y\n", Lens{}).find("plate size") != std::string::npos);
}

TEST_CASE("from file to file") {
  const trueplate::tests::ScratchFolder scratch;
  const auto in = scratch.path() / "in.csv";
  const auto out = scratch.path() / "out.csv";
  REQUIRE(trueplate::write_text_file(in, "x,y\n10,20\n", Overwrite::kRefuse));
  const Lens lens = moderate_lens();
  const auto direction = PointsDirection::kRedistort;
  using trueplate::exchange::transform_points_file;
  REQUIRE(transform_points_file(in, out, lens, direction, Overwrite::kRefuse));
  CHECK(points_of(*trueplate::read_text_file(out)).size() == 1);
  CHECK(transform_points_file(in, out, lens, direction, Overwrite::kRefuse).error().code ==
        trueplate::ErrorCode::kExists);
  CHECK(transform_points_file(scratch.path() / "no.csv", out, lens, direction, Overwrite::kAllow)
            .error()
            .code == trueplate::ErrorCode::kNotFound);
}

TEST_CASE("tracks pass in any layout: sub-frames, gaps and other columns stay, both ways return") {
  const std::string csv =
      "# image: 1920x1080\n"
      "note,y,frame,x,track\n"
      "a,100.5,1001.25,200.25,\"door, left\"\n"
      ",,1001.5,,\"door, left\"\n"
      "b,900,1002,1700,wall\n";
  const Lens lens = moderate_lens();
  const TransformedPoints straight = transformed(csv, lens, PointsDirection::kUndistort);
  CHECK(straight.report.num_gaps == 1);
  CHECK(straight.text.find(",,1001.5,,\"door, left\"\n") != std::string::npos);
  CHECK(straight.text.find(",1001.25,") != std::string::npos);
  const TransformedPoints back = transformed(straight.text, lens, PointsDirection::kRedistort);
  const Result<CsvTable> table = CsvTable::parse(back.text, "back");
  REQUIRE(table);
  CHECK(*table->number(0, *table->column("x")) == doctest::Approx(200.25).epsilon(1e-12));
  CHECK(*table->number(2, *table->column("y")) == doctest::Approx(900.0).epsilon(1e-12));
}

TEST_CASE("points of a straight picture with overscan are counted from its corner") {
  const Lens lens = moderate_lens();
  const trueplate::exchange::StraightFrame overscan{
      .left = 40, .top = 22, .right = 44, .bottom = 26};
  const std::string plate = "# image: 1920x1080\ntrack,frame,x,y\na,1,0,0\na,2,1919.5,1079.25\n";
  const Result<TransformedPoints> straight =
      transform_points(plate, "in.csv", lens, PointsDirection::kUndistort, overscan);
  REQUIRE(straight.has_value());
  CHECK(straight->text.find("# image: 2004x1128\n") == 0);
  const std::vector<Point2d> moved = points_of(straight->text);
  const std::vector<Point2d> from_plate =
      points_of(transformed(plate, lens, PointsDirection::kUndistort).text);
  for (std::size_t i = 0; i < moved.size(); ++i) {
    CHECK((moved[i] - from_plate[i] - Point2d(40.0, 22.0)).norm() < 1e-9);
  }
  const Result<TransformedPoints> back =
      transform_points(straight->text, "in.csv", lens, PointsDirection::kRedistort, overscan);
  REQUIRE(back.has_value());
  CHECK(back->text.find("# image: 1920x1080\n") == 0);
  CHECK((points_of(back->text)[1] - Point2d(1919.5, 1079.25)).norm() < 1e-9);
  // A file of the plate is none of the straight picture.
  const Result<TransformedPoints> wrong =
      transform_points(plate, "in.csv", lens, PointsDirection::kRedistort, overscan);
  REQUIRE(!wrong.has_value());
  CHECK(wrong.error().message ==
        "in.csv: the points are of a 1920x1080 picture, with this overscan wanted 2004x1128");
}

TEST_CASE("NaN is a gap, and columns may be called otherwise; both pass through as they stand") {
  const Lens lens = moderate_lens();
  const std::string text = "name,u,v\na,NaN,nan\nb,3,\"nan\"\nc,100,200\n";
  const auto moved = transform_points(
      text, "p.csv", lens, PointsDirection::kUndistort, {}, {{"x", "u"}, {"y", "v"}});
  REQUIRE(moved.has_value());
  CHECK(moved->report.num_gaps == 2);
  CHECK(moved->report.num_moved == 1);
  CHECK(moved->text.starts_with("name,u,v\na,NaN,nan\nb,3,\"nan\"\nc,"));
  const auto rays =
      transform_points(text, "p.csv", lens, PointsDirection::kToRays, {}, {{"x", "u"}, {"y", "v"}});
  REQUIRE(rays.has_value());
  CHECK(rays->text.starts_with("name,ray_x,ray_y,ray_z\na,,,\nb,,,\nc,"));
}
