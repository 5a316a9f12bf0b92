// What a renderer of charts has to get right besides its corners: where the board ends, light,
// blur, threads, and input that makes no sense.

#include "charts/synth/chart_footage.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <string>

#include "tests/charts/synth/rendered_chart.h"

using namespace trueplate;
using synth::ChartFootage;
using synth::ChartFootageOptions;
using synth::render_chart;
using tests::kChart;
using tests::kPlain;
using tests::pinhole;
using tests::pose;
using tests::rendered;
using tests::spherical;

namespace {

bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
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

}  // namespace

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
