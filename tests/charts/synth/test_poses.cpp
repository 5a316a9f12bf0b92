#include "charts/synth/poses.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <set>

#include "charts/synth/chart_footage.h"

using namespace trueplate;
using synth::ChartPose;
using synth::make_poses;

namespace {

lens::Lens spherical() {
  return {.plate_size = {960, 540},
          .film_back = std::nullopt,
          .focal_px = {970.0, 970.0},
          .principal_point_px = {484.2, 268.1},
          .model = lens::RadialTangential({-0.15, 0.045, -0.008, 0.0005, -0.0004})};
}

lens::Lens anamorphic() {
  return {.plate_size = {914, 778},
          .pixel_aspect = 2.0,
          .squeeze = 2.0,
          .film_back = std::nullopt,
          .focal_px = {900.0, 1800.0},
          .principal_point_px = {452.0, 392.0},
          .model = lens::RadialTangential({-0.18, 0.06, -0.01, 0.0009, -0.0007})};
}

const target::Chart kChart{.pitch_mm = 40.0, .columns = 14, .rows = 9};

/// The board's outline is put on a chart of its own: a chart of one more corner on every side has
/// them where the border of one square ends.
std::vector<std::optional<Point2d>> border_points(const lens::Lens& lens, const ChartPose& pose) {
  const target::Chart outer{
      .pitch_mm = kChart.pitch_mm, .columns = kChart.columns + 4, .rows = kChart.rows + 4};
  Eigen::Isometry3d moved = pose.camera_from_chart;
  moved.translation() +=
      moved.linear() * Eigen::Vector3d(-2.0 * kChart.pitch_mm, -2.0 * kChart.pitch_mm, 0.0);
  return synth::project_corners(lens, outer, moved);
}

}  // namespace

TEST_CASE("every board lies wholly on the plate, its border included") {
  for (const lens::Lens& lens : {spherical(), anamorphic()}) {
    const auto poses = make_poses(lens, kChart, {.count = synth::kMaxPoses, .margin_px = 3.0});
    REQUIRE_MESSAGE(poses.has_value(), (poses ? "" : poses.error().message));
    REQUIRE(poses->size() == synth::kMaxPoses);
    for (const ChartPose& pose : *poses) {
      CAPTURE(pose.name);
      for (const std::optional<Point2d>& p : border_points(lens, pose)) {
        REQUIRE(p.has_value());
        CHECK(p->x() > 2.9);
        CHECK(p->y() > 2.9);
        CHECK(p->x() < lens.plate_size.width - 2.9);
        CHECK(p->y() < lens.plate_size.height - 2.9);
      }
    }
  }
}

TEST_CASE("the corners reach all parts of the frame, at several angles") {
  for (const lens::Lens& lens : {spherical(), anamorphic()}) {
    const auto poses = make_poses(lens, kChart, {.border_squares = 0.6, .margin_px = 3.0});
    REQUIRE(poses.has_value());
    CHECK(poses->size() == 16);
    // Fields of an 8 x 6 raster over the frame that hold a corner; distance of the corner nearest
    // to each corner of the frame.
    std::set<std::pair<int, int>> fields;
    const double width = lens.plate_size.width;
    const double height = lens.plate_size.height;
    std::vector<double> nearest(4, 1e9);
    int num_tilted = 0;
    int num_rolled = 0;
    std::set<std::string> names;
    for (const ChartPose& pose : *poses) {
      names.insert(pose.name);
      for (const auto& p : synth::project_corners(lens, kChart, pose.camera_from_chart)) {
        REQUIRE(p.has_value());
        fields.insert(
            {static_cast<int>(p->x() / width * 8), static_cast<int>(p->y() / height * 6)});
        for (int k = 0; k < 4; ++k) {
          const Point2d corner(k % 2 == 0 ? 0.0 : width, k / 2 == 0 ? 0.0 : height);
          nearest[static_cast<std::size_t>(k)] =
              std::min(nearest[static_cast<std::size_t>(k)],
                       (*p - corner).cwiseQuotient(Point2d(width, height)).norm());
        }
      }
      const Eigen::Matrix3d r = pose.camera_from_chart.linear();
      const double tilt_deg = std::acos(r(2, 2)) * 180.0 / std::numbers::pi;
      if (tilt_deg > 20.0 && tilt_deg < 50.0) ++num_tilted;
      if (std::abs(std::atan2(r(1, 0), r(0, 0))) > 0.15) ++num_rolled;
    }
    CHECK(names.size() == poses->size());
    CHECK(fields.size() == 48);
    for (const double distance : nearest) CHECK(distance < 0.1);
    CHECK(num_tilted >= 8);
    CHECK(num_rolled >= 3);
  }
}

TEST_CASE("count and input") {
  const auto three = make_poses(spherical(), kChart, {.count = 3});
  REQUIRE(three.has_value());
  CHECK(three->size() == 3);
  CHECK_FALSE(make_poses(spherical(), kChart, {.count = 0}).has_value());
  CHECK_FALSE(make_poses(spherical(), kChart, {.count = 1000}).has_value());
  CHECK_FALSE(make_poses(spherical(), kChart, {.border_squares = NAN}).has_value());
  CHECK_FALSE(make_poses(spherical(), kChart, {.margin_px = 400.0}).has_value());
  CHECK_FALSE(make_poses(spherical(), {.pitch_mm = -1.0, .columns = 3, .rows = 3}).has_value());
  lens::Lens broken = spherical();
  broken.focal_px.x() = NAN;
  CHECK_FALSE(make_poses(broken, kChart).has_value());
}

TEST_CASE("a lens that shows no such board is an error that names the pose") {
  // The picture ends at 0.46 of the focal length; the plate reaches to 1.
  lens::Lens lens = spherical();
  lens.focal_px = {485.0, 485.0};
  lens.model = lens::RadialTangential({-0.7, 0.0, 0.0, 0.0, 0.0});
  const auto poses = make_poses(lens, kChart);
  REQUIRE_FALSE(poses.has_value());
  CHECK(poses.error().code == ErrorCode::kInvalidInput);
  CHECK(poses.error().message.find("'") != std::string::npos);
}
