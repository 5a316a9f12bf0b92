#include "charts/synth/set.h"

#include <doctest/doctest.h>

#include <array>
#include <atomic>
#include <cmath>
#include <cstring>
#include <numbers>
#include <opencv2/calib3d.hpp>
#include <set>

#include "tests/charts/synth/measure.h"

using namespace trueplate;
using synth::render_set;
using synth::SetMarker;
using synth::SetPicture;
using synth::SetRenderOptions;

namespace {

struct Setup {
  const char* name = "";
  lens::Lens lens;
  Eigen::Isometry3d camera_from_set;
};

// Filled in place: of an object that is moved into the list GCC 12 wrongly says that its model may
// be uninitialised.
std::vector<Setup> setups() {
  std::vector<Setup> result(2);
  Setup& spherical = result[0];
  spherical.name = "spherical";
  spherical.camera_from_set = synth::demo_camera_from_set(9.9);
  spherical.lens.plate_size = {960, 540};
  spherical.lens.focal_px = {970.0, 968.0};
  spherical.lens.principal_point_px = {484.2, 267.1};
  spherical.lens.model = lens::RadialTangential({-0.15, 0.045, -0.008, 0.0005, -0.0004});
  Setup& anamorphic = result[1];
  anamorphic.name = "anamorphic";
  anamorphic.camera_from_set = synth::demo_camera_from_set(11.3);
  anamorphic.lens.plate_size = {914, 778};
  anamorphic.lens.pixel_aspect = 2.0;
  anamorphic.lens.squeeze = 2.0;
  anamorphic.lens.focal_px = {900.0, 1800.0};
  anamorphic.lens.principal_point_px = {452.0, 392.0};
  anamorphic.lens.model = lens::RadialTangential({-0.18, 0.06, -0.01, 0.0009, -0.0007});
  return result;
}

Window plate_window(const lens::Lens& lens) {
  return {0, 0, lens.plate_size.width, lens.plate_size.height};
}

Image<float> rendered(SetPicture picture,
                      const Setup& setup,
                      const Window& window,
                      const SetRenderOptions& options = {}) {
  Result<Image<float>> image =
      render_set(picture, setup.lens, setup.camera_from_set, window, options);
  REQUIRE_MESSAGE(image.has_value(), (image ? "" : image.error().message));
  return std::move(image).value();
}

bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

bool all_finite(const Image<float>& image) {
  for (std::size_t i = 0; i < image.size(); ++i) {
    if (!std::isfinite(image.data()[i])) return false;
  }
  return true;
}

Image<float> channel(const Image<float>& image, int c) {
  Image<float> result(image.width(), image.height(), 1);
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) result.at(x, y) = image.at(x, y, c);
  }
  return result;
}

Setup full_size(const Setup& setup) {
  Setup result = setup;
  const ImageSize size = setup.lens.plate_size;
  result.lens = lens::scaled_to(setup.lens, {2 * size.width, 2 * size.height});
  return result;
}

/// A square window around a point, and the point inside it.
struct Patch {
  Patch(const Point2d& p, int half)
      : window{.x = static_cast<int>(std::floor(p.x())) - half,
               .y = static_cast<int>(std::floor(p.y())) - half,
               .width = 2 * half + 1,
               .height = 2 * half + 1} {}

  [[nodiscard]] Point2d inside(const Point2d& p) const { return p - Point2d(window.x, window.y); }
  Window window;
};

/// Half the side of a square that holds the ring and nothing else.
int reach(const Setup& setup, const SetMarker& marker) {
  const double ratio = std::max(1.0, setup.lens.focal_px.y() / setup.lens.focal_px.x());
  return static_cast<int>(std::ceil(marker.ring_radius_px * ratio)) + 3;
}

/// Whether the patch shows one ring only: the place of the ring apart, it is transparent.
bool stands_alone(
    const Image<float>& cg, const Point2d& p, const Setup& setup, double radius_px, int half) {
  const double ratio = setup.lens.focal_px.y() / setup.lens.focal_px.x();
  for (int y = 0; y < cg.height(); ++y) {
    for (int x = 0; x < cg.width(); ++x) {
      const double r = std::hypot(x + 0.5 - p.x(), (y + 0.5 - p.y()) / ratio);
      const bool near = std::max(std::abs(x - p.x()), std::abs(y - p.y())) < half + 3;
      if (near && r > 1.1 * radius_px + 3.0 && cg.at(x, y, 3) > 1e-4F) return false;
    }
  }
  return true;
}

/// Weights of four neighbours for cubic convolution with a = -1/2 (Keys, Cubic convolution
/// interpolation for digital image processing, IEEE Trans. ASSP 29, 1981).
std::array<double, 4> keys(double t) {
  return {((-0.5 * t + 1.0) * t - 0.5) * t,
          (1.5 * t - 2.5) * t * t + 1.0,
          ((-1.5 * t + 2.0) * t + 0.5) * t,
          (0.5 * t - 0.5) * t * t};
}

/// The CG render bent back by hand: for each plate pixel the inverse lens, then cubic convolution.
Image<float> bent(const Image<float>& cg,
                  const Window& cg_window,
                  const Window& plate,
                  const lens::Lens& lens) {
  Image<float> result(plate.width, plate.height, 4);
  for (int y = 0; y < result.height(); ++y) {
    for (int x = 0; x < result.width(); ++x) {
      const auto p = lens::undistort_px(lens, {plate.x + x + 0.5, plate.y + y + 0.5});
      REQUIRE(p.has_value());
      const double u = p->x() - cg_window.x - 0.5;
      const double v = p->y() - cg_window.y - 0.5;
      const int i = static_cast<int>(std::floor(u));
      const int j = static_cast<int>(std::floor(v));
      const bool inside = i >= 1 && j >= 1 && i + 2 < cg.width() && j + 2 < cg.height();
      REQUIRE(inside);
      const std::array<double, 4> wx = keys(u - i);
      const std::array<double, 4> wy = keys(v - j);
      for (int c = 0; c < 4; ++c) {
        double sum = 0.0;
        for (int k = 0; k < 16; ++k) {
          sum += wx[static_cast<std::size_t>(k % 4)] * wy[static_cast<std::size_t>(k / 4)] *
                 cg.at(i - 1 + k % 4, j - 1 + k / 4, c);
        }
        result.at(x, y, c) = static_cast<float>(sum);
      }
    }
  }
  return result;
}

}  // namespace

TEST_CASE("marker positions agree with OpenCV's projection") {
  // cv::projectPoints takes (k1, k2, p1, p2, k3) and counts pixels from the centre of the first
  // one.
  for (const Setup& setup : setups()) {
    const std::vector<SetMarker> markers = synth::set_markers(setup.lens, setup.camera_from_set);
    MESSAGE(std::string(setup.name), ": ", markers.size(), " markers");
    REQUIRE(markers.size() >= 14);
    const lens::Lens& lens = setup.lens;
    const cv::Matx33d camera(lens.focal_px.x(),
                             0,
                             lens.principal_point_px.x() - 0.5,
                             0,
                             lens.focal_px.y(),
                             lens.principal_point_px.y() - 0.5,
                             0,
                             0,
                             1);
    const auto k = lens::parameters(lens.model);
    const std::vector<double> distortion{k[0], k[1], k[3], k[4], k[2]};
    cv::Matx33d rotation;
    for (int i = 0; i < 9; ++i) rotation.val[i] = setup.camera_from_set.linear()(i / 3, i % 3);
    cv::Vec3d rotation_vector;
    cv::Rodrigues(rotation, rotation_vector);
    const Eigen::Vector3d t = setup.camera_from_set.translation();
    std::set<std::string> names;
    double nearest = 1e9;
    double farthest = 0.0;
    for (const SetMarker& marker : markers) {
      names.insert(marker.name);
      const std::vector<cv::Point3d> points{
          {marker.p_set_m.x(), marker.p_set_m.y(), marker.p_set_m.z()}};
      std::vector<cv::Point2d> on_plate;
      std::vector<cv::Point2d> straight;
      const cv::Vec3d shift(t.x(), t.y(), t.z());
      cv::projectPoints(points, rotation_vector, shift, camera, distortion, on_plate);
      cv::projectPoints(points, rotation_vector, shift, camera, cv::noArray(), straight);
      CHECK(std::abs(on_plate[0].x + 0.5 - marker.p_plate_px.x()) < 1e-6);
      CHECK(std::abs(on_plate[0].y + 0.5 - marker.p_plate_px.y()) < 1e-6);
      CHECK(std::abs(straight[0].x + 0.5 - marker.p_undistorted_px.x()) < 1e-6);
      CHECK(std::abs(straight[0].y + 0.5 - marker.p_undistorted_px.y()) < 1e-6);
      const double depth = (setup.camera_from_set * marker.p_set_m).z();
      nearest = std::min(nearest, depth);
      farthest = std::max(farthest, depth);
    }
    CHECK(names.size() == markers.size());
    CHECK(farthest > 1.5 * nearest);  // spread in depth
  }
}

TEST_CASE("targets on the plate and rings in the CG are drawn at their points") {
  for (const Setup& half_size : setups()) {
    const Setup setup = full_size(half_size);
    int num_rings = 0;
    int num_targets = 0;
    double worst_cg = 0.0;
    double worst_truth = 0.0;
    double worst_bent = 0.0;
    double worst_target = 0.0;
    for (const SetMarker& marker : synth::set_markers(setup.lens, setup.camera_from_set)) {
      CAPTURE(marker.name);
      const int half = reach(setup, marker);
      const Patch straight(marker.p_undistorted_px, half + 10);
      const Patch bent_patch(marker.p_plate_px, half);
      const Image<float> cg = rendered(SetPicture::kCg, setup, straight.window);
      const Image<float> truth = rendered(SetPicture::kCgOnPlate, setup, bent_patch.window);
      const Point2d in_cg = straight.inside(marker.p_undistorted_px);
      const Point2d on_plate = bent_patch.inside(marker.p_plate_px);
      if (stands_alone(cg, in_cg, setup, marker.ring_radius_px, half)) {
        ++num_rings;
        const Image<float> bent_back = bent(cg, straight.window, bent_patch.window, setup.lens);
        const Point2d there = tests::centroid(truth, 3, on_plate, half);
        const Point2d here = tests::centroid(bent_back, 3, on_plate, half);
        const Point2d expected = bent_patch.inside(marker.p_ring_centroid_px);
        worst_cg = std::max(worst_cg, (tests::centroid(cg, 3, in_cg, half) - in_cg).norm());
        worst_truth = std::max(worst_truth, (there - expected).norm());
        worst_bent = std::max(worst_bent, (here - there).norm());
        CHECK((expected - on_plate).norm() < 0.04);
      }
      // Those on the floor are a few pixels high, too little for this measurement.
      if (!marker.name.starts_with("floor")) {
        ++num_targets;
        const Image<float> plate = rendered(SetPicture::kPlate, setup, bent_patch.window);
        const Point2d start = on_plate + Point2d(0.2, -0.3);
        const Point2d found = tests::saddle(channel(plate, 1), start, 1.2);
        worst_target = std::max(worst_target, (found - on_plate).norm());
      }
    }
    MESSAGE(std::string(setup.name),
            ": ",
            num_rings,
            " rings, worst in CG ",
            worst_cg,
            " px, on the plate ",
            worst_truth,
            " px, bent back against truth ",
            worst_bent,
            " px; ",
            num_targets,
            " targets, worst ",
            worst_target,
            " px");
    CHECK(num_rings >= 10);
    CHECK(num_targets >= 12);
    CHECK(worst_cg < 0.004);
    CHECK(worst_truth < 0.004);
    CHECK(worst_bent < 0.015);
    CHECK(worst_target < 0.02);
  }
}

TEST_CASE("the whole CG render, bent back, falls on the truth") {
  for (Setup setup : setups()) {
    const ImageSize size = setup.lens.plate_size;
    setup.lens = lens::scaled_to(setup.lens, {size.width / 2, size.height / 2});
    const Window window = synth::straightened_window(setup.lens, 4);
    const Window plate = plate_window(setup.lens);
    const Image<float> cg = rendered(SetPicture::kCg, setup, window);
    const Image<float> truth = rendered(SetPicture::kCgOnPlate, setup, plate);
    const Image<float> bent_back = bent(cg, window, plate, setup.lens);
    double difference = 0.0;
    double coverage = 0.0;
    for (int y = 0; y < truth.height(); ++y) {
      for (int x = 0; x < truth.width(); ++x) {
        difference += std::abs(truth.at(x, y, 3) - bent_back.at(x, y, 3));
        coverage += truth.at(x, y, 3);
      }
    }
    MESSAGE(std::string(setup.name), ": alpha differs by ", difference / coverage, " of its area");
    CHECK(coverage > 0.01 * truth.width() * truth.height());
    CHECK(difference / coverage < 0.05);
  }
}

TEST_CASE("CG is premultiplied, the plate is exposed") {
  Setup setup = setups()[0];
  setup.lens = lens::scaled_to(setup.lens, {480, 270});
  const Image<float> cg = rendered(SetPicture::kCg, setup, plate_window(setup.lens));
  CHECK(all_finite(cg));
  for (int y = 0; y < cg.height(); ++y) {
    for (int x = 0; x < cg.width(); ++x) {
      const float alpha = cg.at(x, y, 3);
      const bool in_range = alpha >= 0.0F && alpha <= 1.0F + 1e-5F;
      const float brightest = std::max({cg.at(x, y, 0), cg.at(x, y, 1), cg.at(x, y, 2)});
      if (!in_range || brightest > 4.0F * alpha + 1e-6F)
        FAIL(x, " ", y, " ", alpha, " ", brightest);
    }
  }
  const Image<float> plate = rendered(SetPicture::kPlate, setup, plate_window(setup.lens));
  CHECK(all_finite(plate));
  double sum = 0.0;
  for (std::size_t i = 0; i < plate.size(); ++i) sum += plate.data()[i];
  const double mean = sum / static_cast<double>(plate.size());
  CHECK(mean > 0.12);
  CHECK(mean < 0.45);
}

TEST_CASE("a larger data window adds pixels and moves none") {
  const Setup setup = setups()[0];
  const Window small{.x = 300, .y = 200, .width = 120, .height = 90};
  const Window large{.x = 270, .y = 185, .width = 200, .height = 140};
  for (const SetPicture picture : {SetPicture::kPlate, SetPicture::kCg, SetPicture::kCgOnPlate}) {
    const Image<float> a = rendered(picture, setup, small);
    const Image<float> b = rendered(picture, setup, large);
    float worst = 0.0F;
    for (int y = 0; y < a.height(); ++y) {
      for (int x = 0; x < a.width(); ++x) {
        for (int c = 0; c < a.channels(); ++c) {
          worst = std::max(worst, std::abs(a.at(x, y, c) - b.at(x + 30, y + 15, c)));
        }
      }
    }
    // The window decides how pixels share their lists of candidates and nothing else.
    CHECK(worst < 1e-6F);
  }
  const Image<float> overscan =
      rendered(SetPicture::kCg, setup, {.x = -40, .y = -30, .width = 20, .height = 10});
  CHECK(overscan.width() == 20);
}

TEST_CASE("gives up when asked to") {
  const Setup setup = setups()[0];
  const std::atomic<bool> asked{true};
  const Result<Image<float>> image = render_set(SetPicture::kPlate,
                                                setup.lens,
                                                setup.camera_from_set,
                                                plate_window(setup.lens),
                                                {.interrupt = &asked});
  REQUIRE_FALSE(image);
  CHECK(image.error().code == ErrorCode::kInterrupted);
}

TEST_CASE("threads and seeds") {
  const Setup setup = setups()[1];
  const Window window{.x = 100, .y = 350, .width = 300, .height = 120};
  SetRenderOptions options{.noise_sigma = 0.01, .seed = 3, .threads = 1};
  for (const SetPicture picture : {SetPicture::kPlate, SetPicture::kCg, SetPicture::kCgOnPlate}) {
    options.threads = 1;
    const Image<float> one = rendered(picture, setup, window, options);
    for (const int threads : {2, 5}) {
      options.threads = threads;
      CHECK(same_bits(one, rendered(picture, setup, window, options)));
    }
  }
  options.threads = 0;
  const Image<float> noisy = rendered(SetPicture::kPlate, setup, window, options);
  options.seed = 4;
  CHECK_FALSE(same_bits(noisy, rendered(SetPicture::kPlate, setup, window, options)));
  options.noise_sigma = 0.0;
  const Image<float> clean = rendered(SetPicture::kPlate, setup, window, options);
  double sum2 = 0.0;
  for (std::size_t i = 0; i < clean.size(); ++i) {
    const double d = noisy.data()[i] - clean.data()[i];
    sum2 += d * d;
  }
  CHECK(std::sqrt(sum2 / static_cast<double>(clean.size())) == doctest::Approx(0.01).epsilon(0.02));
}

TEST_CASE("the window of the straightened plate") {
  // r_d = r (1 + k1 r^2) with k1 = -0.1 and f = 100 px: the corner of a 100 x 80 plate is at
  // r_d = sqrt(0.41) = 0.640312, whose inverse is r = 0.670230 (found with a calculator:
  // 0.670230 (1 - 0.1 * 0.449208) = 0.640123; refined below by the equation itself).
  lens::Lens lens{.plate_size = {100, 80},
                  .film_back = std::nullopt,
                  .focal_px = {100.0, 100.0},
                  .principal_point_px = {50.0, 40.0},
                  .model = lens::RadialTangential({-0.1, 0.0, 0.0, 0.0, 0.0})};
  double r = 0.67;
  const double r_d = std::sqrt(0.41);
  for (int i = 0; i < 50; ++i) r = r_d / (1.0 - 0.1 * r * r);
  const double stretch = r / r_d;  // 1.0469
  const Window window = synth::straightened_window(lens, 0);
  CHECK(window.x == static_cast<int>(std::floor(50.0 - 50.0 * stretch)));
  CHECK(window.y == static_cast<int>(std::floor(40.0 - 40.0 * stretch)));
  CHECK(window.x + window.width == static_cast<int>(std::ceil(50.0 + 50.0 * stretch)));
  CHECK(window.y + window.height == static_cast<int>(std::ceil(40.0 + 40.0 * stretch)));
  const Window wider = synth::straightened_window(lens, 7);
  CHECK(wider == Window{window.x - 7, window.y - 7, window.width + 14, window.height + 14});

  lens.model = lens::RadialTangential({0.1, 0.0, 0.0, 0.0, 0.0});  // pincushion: the plate itself
  CHECK(synth::straightened_window(lens, 0) == Window{0, 0, 100, 80});

  lens.model = lens::RadialTangential({-1.5, 0.0, 0.0, 0.0, 0.0});  // border without an inverse
  CHECK(synth::straightened_window(lens, 0) == Window{0, 0, 100, 80});
}

TEST_CASE("lenses and cameras nobody would use do no harm") {
  Setup setup = setups()[0];
  setup.lens = lens::scaled_to(setup.lens, {96, 54});
  const Window window = plate_window(setup.lens);
  SUBCASE("no inverse outside a disc") {
    setup.lens.model = lens::RadialTangential({-2.0, 0.0, 0.0, 0.0, 0.0});
    const Image<float> plate = rendered(SetPicture::kPlate, setup, window);
    const Image<float> cg = rendered(SetPicture::kCgOnPlate, setup, window);
    CHECK(all_finite(plate));
    CHECK(plate.at(0, 0, 1) == 0.0F);
    CHECK(cg.at(0, 0, 3) == 0.0F);
    CHECK(plate.at(48, 27, 1) > 0.01F);
  }
  SUBCASE("inside a box, outside the room, looking away") {
    for (const Eigen::Vector3d& eye : {Eigen::Vector3d(-0.42, 0.3, 3.55),
                                       Eigen::Vector3d(-2.16, 1.0, 4.4),
                                       Eigen::Vector3d(0.0, 1.0, 30.0),
                                       Eigen::Vector3d(0.0, 50.0, -30.0),
                                       Eigen::Vector3d(3.0, 0.0, 0.0)}) {
      for (const double turn : {0.0, 0.5 * std::numbers::pi, std::numbers::pi}) {
        setup.camera_from_set.linear() =
            Eigen::AngleAxisd(turn, Eigen::Vector3d::UnitY()).toRotationMatrix();
        setup.camera_from_set.translation() = -(setup.camera_from_set.linear() * eye);
        for (const SetPicture picture :
             {SetPicture::kPlate, SetPicture::kCg, SetPicture::kCgOnPlate}) {
          CHECK(all_finite(rendered(picture, setup, window)));
        }
      }
    }
  }
}

TEST_CASE("input that makes no sense is refused with a reason") {
  const Setup setup = setups()[0];
  const Window window{0, 0, 16, 16};
  const auto message = [&](const lens::Lens& lens,
                           const Eigen::Isometry3d& pose,
                           const Window& w,
                           const SetRenderOptions& options) {
    const auto result = render_set(SetPicture::kPlate, lens, pose, w, options);
    REQUIRE_FALSE(result.has_value());
    CHECK(result.error().code == ErrorCode::kInvalidInput);
    return result.error().message;
  };
  const Eigen::Isometry3d& pose = setup.camera_from_set;
  lens::Lens broken = setup.lens;
  broken.principal_point_px.x() = NAN;
  CHECK(message(broken, pose, window, {}).find("principal point") != std::string::npos);
  CHECK(message(setup.lens, pose, {0, 0, 0, 16}, {}).find("data window") != std::string::npos);
  CHECK(message(setup.lens, pose, {0, 0, 16, 2000000000}, {}).find("2000000000") !=
        std::string::npos);
  CHECK(message(setup.lens, pose, {-2000000000, 0, 16, 16}, {}).find("-2000000000") !=
        std::string::npos);
  CHECK(message(setup.lens, pose, window, {.blur_sigma_px = 0.0}).find("blur") !=
        std::string::npos);
  CHECK(message(setup.lens, pose, window, {.noise_sigma = -1.0}).find("noise") !=
        std::string::npos);
  Eigen::Isometry3d mirrored = pose;
  mirrored.linear().col(0) *= -1.0;
  CHECK(message(setup.lens, mirrored, window, {}).find("determinant") != std::string::npos);
}
