#include "calib/fit/closed_form.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <vector>

#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/kernel.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

namespace {

lens::Lens pinhole_lens() {
  lens::Lens lens = tests::synthetic_lens();
  lens.model = lens::RadialTangential();
  return lens;
}

std::vector<Eigen::Matrix3d> homographies(const std::vector<target::View>& views) {
  std::vector<Eigen::Matrix3d> result;
  for (const target::View& view : views) result.push_back(*fit::homography_of(view.corners));
  return result;
}

}  // namespace

// Z. Zhang, A Flexible New Technique for Camera Calibration, IEEE PAMI 22(11), 2000: intrinsics and
// poses as published by the author for his five photographs. The two model points per view were
// projected with these numbers in double precision and agree with cv::projectPoints. u and v
// have whole-number pixel centres; the paper's skew gamma, which this project does not model, is
// added here.
TEST_CASE("Zhang's published solution puts his model points where it should") {
  constexpr double kAlpha = 832.5, kGamma = 0.204494, kBeta = 832.53;
  constexpr double kU0 = 303.959, kV0 = 206.585;
  constexpr double kK1 = -0.228601, kK2 = 0.190353;
  fit::Pose view1;
  view1.rotation << 0.992759, -0.026319, 0.117201, 0.0139247, 0.994339, 0.105341, -0.11931,
      -0.102947, 0.987505;
  view1.translation_mm = {-3.84019, 3.65164, 12.791};
  fit::Pose view3;
  view3.rotation << 0.915213, -0.0356648, 0.401389, -0.00807547, 0.994252, 0.106756, -0.402889,
      -0.100946, 0.909665;
  view3.translation_mm = {-2.94409, 3.77653, 14.2456};
  struct Printed {
    const fit::Pose& pose;
    Eigen::Vector3d p_chart;
    Point2d uv;
    double last_digit;
  };
  const Printed printed[] = {{view1, {0.0, -0.5, 0.0}, {63.3319, 404.9717}, 1e-4},
                             {view3, {0.0, -0.5, 0.0}, {136.993, 393.759}, 1e-3},
                             {view1, {6.22222, -6.22222, 0.0}, {465.3136, 48.5435}, 1e-4},
                             {view3, {6.22222, -6.22222, 0.0}, {499.926, 44.3542}, 1e-3}};
  const fit::detail::ModelKernel* kernel = fit::detail::find_kernel("radial-tangential");
  REQUIRE(kernel != nullptr);
  Eigen::VectorXd intrinsics(9);
  intrinsics << kAlpha, kBeta, kU0 + 0.5, kV0 + 0.5, kK1, kK2, 0.0, 0.0, 0.0;
  for (const Printed& p : printed) {
    const Eigen::Vector3d p_camera = p.pose.rotation * p.p_chart + p.pose.translation_mm;
    const Point2d p_distorted =
        *lens::RadialTangential({kK1, kK2, 0.0, 0.0, 0.0}).distort(Point2d(p_camera.hnormalized()));
    fit::detail::ViewPoints view;
    view.chart_mm.assign(p.p_chart.begin(), p.p_chart.end());
    view.plate_px = {p.uv.x() + 0.5 - kGamma * p_distorted.y(), p.uv.y() + 0.5};
    view.root_weight = {1.0};
    const auto residuals = fit::detail::residuals_of(*kernel, view, intrinsics, p.pose);
    REQUIRE(residuals);
    CHECK(std::abs((*residuals)[0]) < 0.6 * p.last_digit);
    CHECK(std::abs((*residuals)[1]) < 0.6 * p.last_digit);
  }
}

TEST_CASE("homographies agree with OpenCV's on noisy corners") {
  constexpr unsigned kSeed = 20260511;
  MESSAGE("seed " << kSeed);
  const auto data =
      tests::synthetic_views(pinhole_lens(), {.num_views = 20, .noise_px = 0.2, .seed = kSeed});
  for (const target::View& view : data.views) {
    std::vector<cv::Point2d> chart, plate;
    for (const target::Corner& corner : view.corners) {
      chart.emplace_back(corner.p_chart_mm.x(), corner.p_chart_mm.y());
      plate.emplace_back(corner.p_plate_px.x(), corner.p_plate_px.y());
    }
    const cv::Mat theirs = cv::findHomography(chart, plate);
    Eigen::Matrix3d h;
    for (int i = 0; i < 9; ++i) h(i / 3, i % 3) = theirs.at<double>(i / 3, i % 3);
    const Eigen::Matrix3d ours = *fit::homography_of(view.corners);
    CHECK(std::abs(ours.norm() - 1.0) < 1e-12);
    // OpenCV minimises the distance in pixels, the linear solution an algebraic one: they differ by
    // a fraction of the noise.
    for (const target::Corner& corner : view.corners) {
      const Eigen::Vector3d p(corner.p_chart_mm.x(), corner.p_chart_mm.y(), 1.0);
      CHECK((ours * p).z() > 0.0);
      CHECK(((h * p).hnormalized() - (ours * p).hnormalized()).norm() < 0.1);
    }
  }
}

TEST_CASE("exact homographies give focal length, principal point and poses exactly") {
  const lens::Lens lens = pinhole_lens();
  const auto data = tests::synthetic_views(lens, {.num_views = 6, .noise_px = 0.0, .seed = 3});
  const std::vector<Eigen::Matrix3d> all = homographies(data.views);
  const auto zhang = fit::zhang_closed_form(all, lens.plate_size);
  REQUIRE(zhang);
  CHECK((zhang->focal_px - lens.focal_px).norm() < 1e-6);
  CHECK((zhang->principal_point_px - lens.principal_point_px).norm() < 1e-6);
  for (std::size_t i = 0; i < all.size(); ++i) {
    const fit::Pose pose = fit::pose_from_homography(all[i], *zhang);
    CHECK((pose.rotation - data.poses[i].rotation).norm() < 1e-8);
    CHECK((pose.translation_mm - data.poses[i].translation_mm).norm() < 1e-5);
  }
  // Two views are enough with zero skew.
  const auto two = fit::zhang_closed_form(std::span(all).first(2), lens.plate_size);
  REQUIRE(two);
  CHECK((two->focal_px - lens.focal_px).norm() < 1e-3);
}

TEST_CASE("a view that is nonsense does not move the closed form far") {
  const lens::Lens lens = pinhole_lens();
  const auto data = tests::synthetic_views(lens, {.num_views = 12, .noise_px = 0.05, .seed = 4});
  std::vector<Eigen::Matrix3d> all = homographies(data.views);
  Eigen::Matrix3d nonsense;
  nonsense << 3.0, 1.0, 200.0, -2.0, 0.3, 500.0, 4e-3, 1e-3, 1.0;
  all.push_back(nonsense / nonsense.norm());
  const auto start =
      fit::start_candidates(all, {.plate_size = lens.plate_size, .focal_px = {}}).front();
  CHECK(std::abs(start.pinhole.focal_px.x() / lens.focal_px.x() - 1.0) < 0.1);
}

TEST_CASE("wrong corners do not spoil a homography") {
  const auto data =
      tests::synthetic_views(pinhole_lens(), {.num_views = 5, .noise_px = 0.1, .seed = 5});
  for (target::View view : data.views) {
    const Eigen::Matrix3d clean = *fit::homography_of(view.corners);
    for (int i : {3, 17, 18, 40, 53})
      view.corners[static_cast<std::size_t>(i)].p_plate_px += Point2d(60.0, -45.0);
    const Eigen::Matrix3d spoilt = *fit::homography_of(view.corners);
    for (const target::Corner& corner : view.corners) {
      const Eigen::Vector3d p(corner.p_chart_mm.x(), corner.p_chart_mm.y(), 1.0);
      CHECK(((clean * p).hnormalized() - (spoilt * p).hnormalized()).norm() < 2.0);
    }
  }
}

TEST_CASE("square-on views: the closed form declines, a start is still found") {
  lens::Lens lens = pinhole_lens();
  const auto data = tests::synthetic_views(
      lens, {.num_views = 5, .noise_px = 0.0, .max_tilt_deg = 0.0, .seed = 6});
  const std::vector<Eigen::Matrix3d> all = homographies(data.views);
  const auto starts = fit::start_candidates(all, {.plate_size = lens.plate_size, .focal_px = {}});
  REQUIRE_FALSE(starts.empty());
  for (const fit::StartPinhole& start : starts) {
    CHECK(start.pinhole.focal_px.minCoeff() > 0.0);
    CHECK(start.pinhole.focal_px.allFinite());
  }
  // A given focal length is among the candidates.
  const auto given = fit::start_candidates(
      all, {.plate_size = lens.plate_size, .focal_px = Point2d(1234.0, 1234.0)});
  CHECK(std::any_of(given.begin(), given.end(), [](const auto& s) {
    return s.method == fit::StartMethod::kGiven;
  }));
}

TEST_CASE("corners that determine no homography") {
  const auto corner = [](double x, double y, double u, double v) {
    target::Corner c;
    c.p_chart_mm = {x, y, 0.0};
    c.p_plate_px = {u, v};
    return c;
  };
  using Corners = std::vector<target::Corner>;
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  CHECK_FALSE(fit::homography_of({}));
  CHECK_FALSE(
      fit::homography_of(Corners{corner(0, 0, 1, 1), corner(1, 0, 2, 1), corner(0, 1, 1, 2)}));
  const Corners line{corner(0, 0, 0, 0),
                     corner(1, 0, 10, 1),
                     corner(2, 0, 20, 2),
                     corner(3, 0, 30, 3),
                     corner(4, 0, 40, 4)};
  REQUIRE_FALSE(fit::homography_of(line));
  CHECK(fit::homography_of(line).error().message.find("line of the chart") != std::string::npos);
  // A good chart seen exactly edge-on.
  const Corners edge_on{
      corner(0, 0, 0, 0), corner(1, 0, 10, 1), corner(0, 1, 20, 2), corner(1, 1, 30, 3)};
  CHECK_FALSE(fit::homography_of(edge_on));
  // Three of four on one line.
  CHECK_FALSE(fit::homography_of(
      Corners{corner(0, 0, 0, 0), corner(1, 0, 10, 0), corner(2, 0, 20, 0), corner(0, 1, 0, 10)}));
  CHECK_FALSE(fit::homography_of(Corners(6, corner(1, 1, 5, 5))));
  CHECK_FALSE(fit::homography_of(Corners{
      corner(0, 0, 0, 0), corner(1, 0, 10, 0), corner(1, 1, 10, kNan), corner(0, 1, 0, 10)}));
  CHECK_FALSE(fit::homography_of(Corners{corner(0, 0, 0, 0),
                                         corner(1e300, 0, 1e300, 0),
                                         corner(1e300, 1e300, 1e300, 1e300),
                                         corner(0, 1e300, 0, 1e300)}));
}
