// Charts that are not as described. The truth is simulated; the reference for real releases of the
// chart's points is OpenCV's calibrateCameraRO, after Strobl and Hirzinger, More Accurate Pinhole
// Camera Calibration with Imperfect Planar Target, ICCV Workshops 2011.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <opencv2/calib3d.hpp>
#include <random>
#include <vector>

#include "calib/base/decompositions.h"
#include "calib/fit/fit.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/support/warnings.h"

using namespace trueplate;
using fit::ChartIdentity;
using fit::ChartShape;
using fit::LensFit;

namespace {

using Print = std::function<Eigen::Vector3d(const Eigen::Vector3d&)>;

constexpr double kNoisePx = 0.1;

tests::SyntheticOptions board(Print print, unsigned seed, int num_views = 16) {
  return {.num_views = num_views, .noise_px = kNoisePx, .seed = seed, .print = std::move(print)};
}

/// A sheet that bows by 2 mm over its length of 200 mm and twists a little.
Eigen::Vector3d bowed(const Eigen::Vector3d& p) {
  const double u = (p.x() - 100.0) / 100.0;
  const double v = (p.y() - 62.5) / 100.0;
  return p + Eigen::Vector3d(0.0, 0.0, 2.0 * u * u + 0.5 * u * v);
}

/// Each point 0.1 mm off in x and y, the same in every view.
Eigen::Vector3d misprinted(const Eigen::Vector3d& p) {
  std::mt19937 random(static_cast<unsigned>(std::lround(p.x() + 1000.0 * p.y())));
  std::normal_distribution<double> error(0.0, 0.1);
  random.discard(10);
  const double x = error(random);
  return p + Eigen::Vector3d(x, error(random), 0.0);
}

double chi_square(const LensFit& fit, const lens::Lens& truth) {
  const Eigen::VectorXd error = fit.parameters - tests::parameters_of(truth);
  return error.dot(solve_symmetric<Eigen::Dynamic>(fit.covariance, error));
}
constexpr double kChiSquare999 = 27.88;  // 99.9 % of chi square with 9 degrees of freedom (tables)

/// Root mean square distance of corresponding points after the best similarity (S. Umeyama,
/// Least-Squares Estimation of Transformation Parameters, IEEE PAMI 13(4), 1991, as Eigen has it).
double shape_difference(const Eigen::Matrix3Xd& a, const Eigen::Matrix3Xd& b) {
  const Eigen::Matrix4d t = Eigen::umeyama(a, b, true);
  const Eigen::Matrix3Xd moved = (t.topLeftCorner<3, 3>() * a).colwise() + t.topRightCorner<3, 1>();
  return std::sqrt((moved - b).colwise().squaredNorm().mean());
}

Eigen::Matrix3Xd found_points(const LensFit& fit) {
  Eigen::Matrix3Xd result(3, static_cast<Eigen::Index>(fit.chart.points.size()));
  for (std::size_t i = 0; i < fit.chart.points.size(); ++i) {
    result.col(static_cast<Eigen::Index>(i)) =
        fit.chart.points[i].described_mm + fit.chart.points[i].offset_mm;
  }
  return result;
}

Eigen::Matrix3Xd true_points(const LensFit& fit, const Print& print) {
  Eigen::Matrix3Xd result(3, static_cast<Eigen::Index>(fit.chart.points.size()));
  for (std::size_t i = 0; i < fit.chart.points.size(); ++i) {
    result.col(static_cast<Eigen::Index>(i)) = print(fit.chart.points[i].described_mm);
  }
  return result;
}

}  // namespace

TEST_CASE("a bent board: its shape and the lens come out within their sigmas") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto data = tests::synthetic_views(truth, board(bowed, 71));
  const auto flat = fit::fit_lens(data.views, {.chart_shape = ChartShape::kFlat});
  const auto fitted = fit::fit_lens(data.views, {});
  REQUIRE(flat);
  REQUIRE(fitted);
  REQUIRE(fitted->chart.bend_mm);
  const double shape = shape_difference(found_points(*fitted), true_points(*fitted, bowed));
  MESSAGE(fmt::format(
      "bend {:.3f} +- {:.3f} mm, points {:.4f} mm rms from the truth; rms {:.4f} px (flat {:.4f}), "
      "held out {:.4f} px (flat {:.4f}); chi square of the lens {:.1f} (flat {:.1f}), 9 expected",
      fitted->chart.bend_mm->value,
      fitted->chart.bend_mm->sigma,
      shape,
      fitted->rms_px,
      flat->rms_px,
      *fitted->held_out_rms_px,
      *flat->held_out_rms_px,
      chi_square(*fitted, truth),
      chi_square(*flat, truth)));
  // u^2 over nine columns, less its best plane: at the ends 1 - mean(u^2) = 1 - 5/12, and the twist
  // adds 0.5 * 1 * 0.625 at two of the corners.
  const double height = 2.0 * (1.0 - 5.0 / 12.0) + 0.5 * 0.625;
  CHECK(std::abs(fitted->chart.bend_mm->value - height) < 4.0 * fitted->chart.bend_mm->sigma);
  CHECK(shape < 3.0 * fitted->chart.bend_mm->sigma);
  CHECK(fitted->chart.bend_degree == 2);
  CHECK(chi_square(*fitted, truth) < kChiSquare999);
  CHECK(chi_square(*flat, truth) > kChiSquare999);
  CHECK(fitted->noise_sigma_px == doctest::Approx(kNoisePx).epsilon(0.08));
  CHECK(tests::has_warning(fitted->warnings, "chart-bent"));
  CHECK_FALSE(tests::has_warning(flat->warnings, "chart-bent"));
}

TEST_CASE("a bad print: each point comes out within its sigma") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto data = tests::synthetic_views(truth, board(misprinted, 72));
  const auto flat = fit::fit_lens(data.views, {.chart_shape = ChartShape::kFlat});
  const auto fitted = fit::fit_lens(data.views, {});
  REQUIRE(flat);
  REQUIRE(fitted);
  REQUIRE(fitted->chart.print_error_mm);
  const double shape = shape_difference(found_points(*fitted), true_points(*fitted, misprinted));
  MESSAGE(fmt::format(
      "print errors {:.4f} mm rms (0.141 were put in), points {:.4f} mm from the truth, {:.4f} "
      "expected; chi square of the lens {:.1f} (flat {:.1f}), 9 expected",
      fitted->chart.print_error_mm->value,
      shape,
      fitted->chart.print_error_mm->sigma,
      chi_square(*fitted, truth),
      chi_square(*flat, truth)));
  CHECK(fitted->chart.print_error_mm->value == doctest::Approx(0.141).epsilon(0.2));
  CHECK(shape == doctest::Approx(fitted->chart.print_error_mm->sigma).epsilon(0.3));
  CHECK(chi_square(*fitted, truth) < kChiSquare999);
  CHECK(fitted->noise_sigma_px == doctest::Approx(kNoisePx).epsilon(0.08));
  CHECK(tests::has_warning(fitted->warnings, "chart-misprinted"));
}

TEST_CASE("a stretched print: the ratio of its pitches comes out") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto stretched = [](const Eigen::Vector3d& p) {
    return Eigen::Vector3d(p.x(), 1.004 * p.y(), 0.0);
  };
  const auto data = tests::synthetic_views(truth, board(stretched, 73, 24));
  const auto fitted = fit::fit_lens(data.views, {});
  REQUIRE(fitted);
  REQUIRE(fitted->chart.pitch_ratio);
  MESSAGE(fmt::format("pitch ratio {:.5f} +- {:.5f}, truth 1.004",
                      fitted->chart.pitch_ratio->value,
                      fitted->chart.pitch_ratio->sigma));
  CHECK(std::abs(fitted->chart.pitch_ratio->value - 1.004) <
        4.0 * fitted->chart.pitch_ratio->sigma);
  CHECK_FALSE(fitted->chart.bend_mm);
  CHECK_FALSE(fitted->chart.print_error_mm);
  CHECK(chi_square(*fitted, truth) < kChiSquare999);
  CHECK(tests::has_warning(fitted->warnings, "chart-stretched"));
}

TEST_CASE("perfect boards are found perfect") {
  const lens::Lens truth = tests::synthetic_lens();
  constexpr int kSets = 200;
  constexpr unsigned kFirstSeed = 7400;
  int departures = 0;
  int significant = 0;
  int tests = 0;
  for (unsigned set = 0; set < kSets; ++set) {
    const auto fitted =
        fit::fit_lens(tests::synthetic_views(truth, board({}, kFirstSeed + set)).views,
                      {.rejection = fit::Rejection::kOff, .held_out_folds = 0});
    REQUIRE(fitted);
    CHECK(fitted->chart.reason.empty());
    if (!fitted->chart.as_described()) ++departures;
    for (const fit::ChartTest& test : fitted->chart.tests) {
      ++tests;
      if (test.p_value < 0.05) ++significant;
    }
  }
  MESSAGE(fmt::format(
      "seeds {} to {}: {} of {} perfect boards were found imperfect; {} of {} tests had p < 0.05 "
      "({:.1f} % expected 5)",
      kFirstSeed,
      kFirstSeed + kSets - 1,
      departures,
      kSets,
      significant,
      tests,
      100.0 * significant / tests));
  CHECK(departures <= 1);
  // Binomial with 5 %: mean 30 of 600, standard deviation 5.3.
  CHECK(significant < 52);
}

// calibrateCameraRO releases x, y and z of all points but three; our shape has a polynomial in z,
// so the board's is one.
TEST_CASE("bent and misprinted: no worse than OpenCV's object-releasing method") {
  const lens::Lens truth = tests::synthetic_lens();
  const Print print = [](const Eigen::Vector3d& p) {
    return Eigen::Vector3d(bowed(p) + misprinted(p) - p);
  };
  const auto data = tests::synthetic_views(truth, board(print, 75, 20));
  const auto fitted = fit::fit_lens(
      data.views, {.rejection = fit::Rejection::kOff, .chart_shape = ChartShape::kMisprinted});
  REQUIRE(fitted);

  std::vector<std::vector<cv::Point3f>> chart;
  std::vector<std::vector<cv::Point2f>> plate;
  for (const target::View& view : data.views) {
    chart.emplace_back();
    plate.emplace_back();
    for (const target::Corner& corner : view.corners) {
      chart.back().emplace_back(corner.p_chart_mm.x(), corner.p_chart_mm.y(), 0.0);
      plate.back().emplace_back(corner.p_plate_px.x() - 0.5, corner.p_plate_px.y() - 0.5);
    }
  }
  cv::Mat camera;
  cv::Mat k;
  std::vector<cv::Mat> rotations;
  std::vector<cv::Mat> translations;
  std::vector<cv::Point3f> released;
  const double rms =
      cv::calibrateCameraRO(chart,
                            plate,
                            {1920, 1080},
                            8,
                            camera,
                            k,
                            rotations,
                            translations,
                            released,
                            0,
                            {cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 100, 1e-12});
  Eigen::VectorXd theirs(9);
  theirs << camera.at<double>(0, 0), camera.at<double>(1, 1), camera.at<double>(0, 2) + 0.5,
      camera.at<double>(1, 2) + 0.5, k.at<double>(0), k.at<double>(1), k.at<double>(4),
      k.at<double>(2), k.at<double>(3);
  Eigen::Matrix3Xd their_points(3, static_cast<Eigen::Index>(released.size()));
  for (std::size_t i = 0; i < released.size(); ++i) {
    their_points.col(static_cast<Eigen::Index>(i)) << released[i].x, released[i].y, released[i].z;
  }
  const Eigen::Matrix3Xd ours = found_points(*fitted);
  const Eigen::Matrix3Xd wanted = true_points(*fitted, print);
  const Eigen::VectorXd apart = (fitted->parameters - theirs).cwiseQuotient(fitted->sigma);
  MESSAGE(fmt::format(
      "rms {:.4f} px (calibrateCameraRO {:.4f}); points {:.4f} mm from the truth ({:.4f}), {:.4f} "
      "from each other; lenses at most {:.2f} sigma apart; focal length {:.3f} ({:.3f}, truth "
      "{:.3f})",
      fitted->rms_px,
      rms,
      shape_difference(ours, wanted),
      shape_difference(their_points, wanted),
      shape_difference(ours, their_points),
      apart.cwiseAbs().maxCoeff(),
      fitted->parameters(0),
      theirs(0),
      truth.focal_px.x()));
  CHECK(shape_difference(ours, wanted) < shape_difference(their_points, wanted));
  CHECK(shape_difference(ours, their_points) < 0.2);
  CHECK(apart.cwiseAbs().maxCoeff() < 3.0);
  CHECK(chi_square(*fitted, truth) < kChiSquare999);
}

TEST_CASE("views whose points are not known again tell nothing about the print") {
  const auto data = tests::synthetic_views(tests::synthetic_lens(), board(bowed, 76));
  const auto per_view = fit::fit_lens(data.views, {.chart_identity = ChartIdentity::kPerView});
  REQUIRE(per_view);
  CHECK(per_view->chart.as_described());
  CHECK(per_view->chart.reason.find("first one in sight") != std::string::npos);
  // Frames that show different parts of a larger chart: not known unless said.
  std::vector<target::View> parts = data.views;
  for (std::size_t v = 0; v < parts.size(); ++v) {
    const double least = 25.0 * static_cast<double>(v % 4);
    std::erase_if(parts[v].corners, [&](const auto& c) { return c.p_chart_mm.x() < least; });
  }
  const auto unknown = fit::fit_lens(parts, {});
  REQUIRE(unknown);
  CHECK_FALSE(unknown->chart.reason.empty());
  const auto common = fit::fit_lens(parts, {.chart_identity = ChartIdentity::kCommon});
  REQUIRE(common);
  CHECK(common->chart.bend_mm);
  const auto few = fit::fit_lens({data.views.begin(), data.views.begin() + 4}, {});
  REQUIRE(few);
  CHECK(few->chart.reason.find("too few") != std::string::npos);
  const auto forced = fit::fit_lens({data.views.begin(), data.views.begin() + 4},
                                    {.chart_shape = ChartShape::kBent});
  REQUIRE(forced);
  CHECK(tests::has_warning(forced->warnings, "chart-not-fitted"));
}

TEST_CASE("views that read an unmarked print upside down are found by its errors") {
  const lens::Lens truth = tests::synthetic_lens();
  const Print print = [](const Eigen::Vector3d& p) {
    return Eigen::Vector3d(bowed(p) + misprinted(p) - p);
  };
  const auto data = tests::synthetic_views(truth, board(print, 79));
  std::vector<target::View> views = data.views;
  const std::vector<std::size_t> wrong{1, 2, 5, 9, 14};
  for (const std::size_t v : wrong) {
    for (target::Corner& corner : views[v].corners) {
      corner.p_chart_mm = Eigen::Vector3d(200.0, 125.0, 0.0) - corner.p_chart_mm;
    }
  }
  const auto straight = fit::fit_lens(data.views, {});
  const auto turned = fit::fit_lens(views, {.chart_identity = ChartIdentity::kUpToTurn});
  const auto believed = fit::fit_lens(views, {.chart_identity = ChartIdentity::kCommon});
  REQUIRE(straight);
  REQUIRE(turned);
  REQUIRE(believed);
  MESSAGE(fmt::format(
      "rms {:.4f} px read rightly, {:.4f} px turned back, {:.4f} px with 5 of 16 upside "
      "down",
      straight->rms_px,
      turned->rms_px,
      believed->rms_px));
  CHECK(straight->chart.num_turned == 0);
  CHECK(turned->chart.num_turned == 5);
  CHECK(turned->rms_px == doctest::Approx(straight->rms_px).epsilon(1e-6));
  CHECK((turned->parameters - straight->parameters)
            .cwiseQuotient(straight->sigma)
            .cwiseAbs()
            .maxCoeff() < 1e-3);
  // Poses are those of the chart as each view has it.
  for (const std::size_t v : wrong) {
    const fit::Pose& pose = turned->frames[v].camera_from_chart;
    const Eigen::Vector3d origin = pose.translation_mm;
    const fit::Pose& other = straight->frames[v].camera_from_chart;
    CHECK((origin - other.rotation * Eigen::Vector3d(200.0, 125.0, 0.0) - other.translation_mm)
              .norm() < 1e-3);
  }
}

TEST_CASE("a board that bends in a fourth degree only is seen") {
  // Chebyshev's T4 along the board: nearly nothing of it in degrees 2 and 3.
  const Print wave = [](const Eigen::Vector3d& p) {
    const double u = (p.x() - 100.0) / 100.0;
    return Eigen::Vector3d(p + Eigen::Vector3d(0.0, 0.0, 8.0 * u * u * (u * u - 1.0)));
  };
  const auto data = tests::synthetic_views(tests::synthetic_lens(), board(wave, 81));
  const auto found = fit::fit_lens(data.views, {});
  REQUIRE(found);
  CHECK(found->chart.bend_degree == 4);
  CHECK(shape_difference(found_points(*found), true_points(*found, wave)) < 0.02);
  const auto asked =
      fit::fit_lens(data.views, {.chart_shape = ChartShape::kBent, .bend_degree = 4});
  REQUIRE(asked);
  CHECK(asked->chart.bend_degree == 4);
  const auto never =
      fit::fit_lens(data.views, {.chart_shape = ChartShape::kBent, .bend_degree = 5});
  REQUIRE_FALSE(never);
  CHECK(never.error().code == ErrorCode::kInvalidInput);
}

TEST_CASE("forced shapes are fitted, and names go both ways") {
  const auto data = tests::synthetic_views(tests::synthetic_lens(), board({}, 77));
  const auto bent = fit::fit_lens(data.views, {.chart_shape = ChartShape::kBent});
  REQUIRE(bent);
  REQUIRE(bent->chart.bend_mm);
  REQUIRE(bent->chart.pitch_ratio);
  CHECK(bent->chart.bend_mm->value < 4.0 * bent->chart.bend_mm->sigma);
  for (const ChartShape shape : {ChartShape::kAuto,
                                 ChartShape::kFlat,
                                 ChartShape::kStretched,
                                 ChartShape::kBent,
                                 ChartShape::kMisprinted}) {
    CHECK(fit::chart_shape_from_name(fit::chart_shape_name(shape)) == shape);
  }
  CHECK_FALSE(fit::chart_shape_from_name("wavy"));
}

TEST_CASE("a bent board: order and threads change no bit") {
  auto data = tests::synthetic_views(tests::synthetic_lens(), board(bowed, 78));
  const auto one = fit::fit_lens(data.views, {.threads = 1});
  std::reverse(data.views.begin(), data.views.end());
  const auto other = fit::fit_lens(data.views, {.threads = 2});
  REQUIRE(one);
  REQUIRE(other);
  CHECK((one->parameters - other->parameters).isZero(0.0));
  CHECK((one->covariance - other->covariance).isZero(0.0));
  CHECK(one->held_out_rms_px == other->held_out_rms_px);
}
