// Files of cv::FileStorage. The judge is OpenCV itself: it reads what we write, and its own
// projectPoints, fisheye::projectPoints and undistort image as our lens does.

#include "calib/exchange/open_cv_file.h"

#include <doctest/doctest.h>

#include <cmath>
#include <opencv2/calib3d.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <string>

#include "tests/calib/exchange/lenses.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using exchange::Known;
using exchange::lens_from_open_cv;
using exchange::open_cv_file_of;
using exchange::OpenCvSyntax;
using exchange::Taken;
using exchange::Written;
using tests::hd_lens;
using tests::profile_of;
using tests::worst_px;
using tests::written_by;

namespace {

constexpr OpenCvSyntax kSyntaxes[] = {OpenCvSyntax::kYaml, OpenCvSyntax::kXml, OpenCvSyntax::kJson};

struct LibraryCamera {
  cv::Mat matrix;
  cv::Mat coefficients;
  bool fisheye = false;
};

LibraryCamera library_camera(const std::string& text) {
  const cv::FileStorage file(text, cv::FileStorage::READ | cv::FileStorage::MEMORY);
  REQUIRE(file.isOpened());
  LibraryCamera camera;
  file["camera_matrix"] >> camera.matrix;
  file["distortion_coefficients"] >> camera.coefficients;
  camera.fisheye = static_cast<int>(file["fisheye_model"]) != 0;
  return camera;
}

/// The largest distance between where the library and our lens image a ray, in px.
double worst_of_library(const LibraryCamera& camera, const lens::Lens& lens) {
  std::vector<cv::Point3d> rays;
  for (int j = -5; j <= 5; ++j) {
    for (int i = -5; i <= 5; ++i) rays.emplace_back(0.1 * i, 0.055 * j, 1.0);
  }
  const cv::Mat zero = cv::Mat::zeros(3, 1, CV_64F);
  std::vector<cv::Point2d> image;
  if (camera.fisheye) {
    cv::fisheye::projectPoints(rays, image, zero, zero, camera.matrix, camera.coefficients);
  } else {
    cv::projectPoints(rays, zero, zero, camera.matrix, camera.coefficients, image);
  }
  double worst = 0.0;
  for (std::size_t i = 0; i < rays.size(); ++i) {
    const Point2d p = *lens::distort_px(lens, lens::px_from_ideal(lens, {rays[i].x, rays[i].y}));
    worst = std::max(worst, std::hypot(image[i].x + 0.5 - p.x(), image[i].y + 0.5 - p.y()));
  }
  return worst;
}

/// A smooth picture.
cv::Mat picture(cv::Size size) {
  cv::Mat result(size, CV_32FC1);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      result.at<float>(y, x) =
          static_cast<float>(0.5 + 0.25 * std::sin(0.05 * x) + 0.25 * std::cos(0.07 * y));
    }
  }
  return result;
}

}  // namespace

TEST_CASE("OpenCV reads the file and images as the lens does, in three syntaxes") {
  for (const lens::Lens& lens : tests::lens_of_each_model()) {
    CAPTURE(lens::model_name(lens.model));
    for (const OpenCvSyntax syntax : kSyntaxes) {
      const Written written = written_by(open_cv_file_of, lens, syntax);
      const double worst = worst_of_library(library_camera(written.text), lens);
      CHECK(worst <= 1.05 * written.fidelity.max_px + written.fidelity.principal_shift_px + 1e-9);
      const Result<Taken> taken = lens_from_open_cv(written.text, {}, "lens.yml");
      REQUIRE_MESSAGE(taken.has_value(), (taken ? "" : taken.error().message));
      const profile::Station& station = taken->profile.stations.front();
      CHECK(worst_px(lens, station.lens) <= 1.05 * written.fidelity.max_px + 1e-9);
      if (!written.fidelity.refitted) {
        CHECK(station.lens.focal_px == lens.focal_px);
        CHECK(lens::model_name(station.lens.model) == lens::model_name(lens.model));
      }
      CHECK(station.lens.film_back == lens.film_back);
      CHECK(taken->profile.labels.lens == "Pr\xC3\xAFme <35> & co");
      CHECK(taken->profile.labels.body == "Body \"A\"");
      CHECK(taken->profile.labels.serial == "0042");
      CHECK(station.focus_m == 2.5);
      CHECK(station.entrance_pupil_mm == 118.25);
      CHECK(taken->not_carried.empty());
    }
  }
}

TEST_CASE("cv::undistort by the file makes the picture that our lens makes") {
  lens::Lens lens = hd_lens(lens::RadialTangential({-0.12, 0.03, -0.004, 0.001, -0.0005}));
  lens.plate_size = {320, 180};
  lens.focal_px = {300.0, 301.0};
  lens.principal_point_px = {161.0, 89.0};
  const LibraryCamera camera =
      library_camera(written_by(open_cv_file_of, lens, OpenCvSyntax::kYaml).text);
  const cv::Mat plate = picture({320, 180});
  cv::Mat by_file;
  cv::undistort(plate, by_file, camera.matrix, camera.coefficients);
  cv::Mat map_x(plate.size(), CV_32FC1);
  cv::Mat map_y(plate.size(), CV_32FC1);
  for (int y = 0; y < plate.rows; ++y) {
    for (int x = 0; x < plate.cols; ++x) {
      const Point2d p = *lens::distort_px(lens, {x + 0.5, y + 0.5});
      map_x.at<float>(y, x) = static_cast<float>(p.x() - 0.5);
      map_y.at<float>(y, x) = static_cast<float>(p.y() - 0.5);
    }
  }
  cv::Mat by_lens;
  cv::remap(plate, by_lens, map_x, map_y, cv::INTER_LINEAR);
  // The library looks up in steps of 1/32 px, and rounds a tie either way: a step times the
  // picture's slope.
  CHECK(cv::norm(by_file, by_lens, cv::NORM_INF) < 0.02 / 32.0 * 1.5);
}

TEST_CASE("infinity, and what a profile does not know") {
  profile::Profile profile = profile_of(hd_lens(lens::RadialTangential({-0.1, 0, 0, 0, 0})));
  profile::Station& station = profile.stations.front();
  station.focus_m = std::numeric_limits<double>::infinity();
  station.t_stop.reset();
  station.lens.film_back.reset();
  for (const OpenCvSyntax syntax : kSyntaxes) {
    const Result<Written> written = open_cv_file_of(profile, station, syntax);
    REQUIRE(written);
    const Result<Taken> taken = lens_from_open_cv(written->text, {}, "lens.yml");
    REQUIRE(taken);
    CHECK(std::isinf(*taken->profile.stations.front().focus_m));
    CHECK_FALSE(taken->profile.stations.front().t_stop);
    CHECK_FALSE(taken->profile.stations.front().lens.film_back);
  }
}

TEST_CASE("a lens that OpenCV's model cannot hold is told from one that it can") {
  lens::Lens lens = hd_lens(*lens::make_model(
      "cylindrical-2",
      std::vector<double>{
          -0.08, 0.03, 0.02, -0.01, 0.0, 0.04, 0.02, 0.0, 0.0, 0.0, 0.0, 0.0, 0.01, 0.0}));
  const Written written = written_by(open_cv_file_of, lens, OpenCvSyntax::kYaml);
  CHECK(written.fidelity.refitted);
  CHECK(written.fidelity.max_px > exchange::kLargestRefitPx);
  const Result<void> verdict = exchange::check_fidelity(written.fidelity);
  REQUIRE_FALSE(verdict);
  CHECK(verdict.error().message.find("at worst") != std::string::npos);
}

// A calibration file that OpenCV's own calibration sample wrote.
TEST_CASE("a published file is read") {
  const auto folder = tests::photograph_set("stereo-640");
  if (!folder) return;
  const auto text = read_text_file(*folder / "left_intrinsics.yml");
  REQUIRE(text);
  const Result<Taken> taken = lens_from_open_cv(*text, {}, "left_intrinsics.yml");
  REQUIRE_MESSAGE(taken.has_value(), (taken ? "" : taken.error().message));
  const lens::Lens& lens = taken->profile.stations.front().lens;
  CHECK(lens.plate_size == ImageSize{640, 480});
  CHECK(lens.focal_px.x() == 535.91573396163199);
  CHECK(lens.principal_point_px.x() == doctest::Approx(342.28315473308373 + 0.5));
  CHECK(worst_of_library(library_camera(*text), lens) < 1e-9);
  CHECK_FALSE(taken->not_carried.empty());
}

TEST_CASE("files that are damaged, hostile or of another kind") {
  const lens::Lens lens = hd_lens(lens::Rational({0.2, 0.05, 0.002, 0.32, 0.06, 0.004, 0, 0}));
  for (const OpenCvSyntax syntax : kSyntaxes) {
    const std::string good = written_by(open_cv_file_of, lens, syntax).text;
    for (std::size_t end = 0; end < good.size(); end += 23) {
      const Result<Taken> taken = lens_from_open_cv(good.substr(0, end), {}, "lens.yml");
      if (!taken) tests::check_refusal(taken);
    }
    // A byte changed here and there.
    for (std::size_t at = 0; at < good.size(); at += 31) {
      for (const char c : {'\0', '<', '[', '"', '-', '\xFF'}) {
        std::string spoilt = good;
        spoilt[at] = c;
        const Result<Taken> taken = lens_from_open_cv(spoilt, {}, "lens.yml");
        if (!taken) tests::check_refusal(taken);
      }
    }
  }
  const std::string head = "%YAML:1.0\n---\n";
  for (const std::string& bad :
       {std::string(),
        head,
        head + "image_width: 1920\n",
        head + "camera_matrix: [1, 0, .Nan, 0, 1, 0, 0, 0, 1]\n",
        head + "image_width: 99999999\nimage_height: -1\ncamera_matrix: 3\n",
        head + "image_width: 640\nimage_height: 480\ncamera_matrix: [500,1,320,0,500,240,0,0,1]\n"
               "distortion_coefficients: [0,0,0,0]\n",
        head + "image_width: 640\nimage_height: 480\ncamera_matrix: [500,0,320,0,500,240,0,0,1]\n"
               "distortion_coefficients: [0,0,1e300,0]\n",
        head + "image_width: 640\nimage_height: 480\ncamera_matrix: [500,0,320,0,500,240,0,0,1]\n"
               "distortion_coefficients: [0,0,.Inf,0]\n",
        head + "image_width: 640\nimage_height: 480\ncamera_matrix: [500,0,320,0,500,240,0,0,1]\n"
               "distortion_coefficients: [0,0,0,0,0,0,0]\n",
        head +
            "camera_matrix: !!opencv-matrix\n   rows: 2000000000\n   cols: 2000000000\n   dt: d\n"
            "   data: [ 1., 2. ]\n",
        head + "a: " + std::string(200000, '[') + "\n",
        head + "a:\n" + std::string(200000, '-') + "\n",
        std::string(200000, '{'),
        std::string("<?xml version=\"1.0\"?>\n") + std::string(3, '<'),
        std::string("not a calibration at all"),
        std::string("\x7F"
                    "ELF\x02\x01")}) {
    CAPTURE(bad.substr(0, 60));
    tests::check_refusal(lens_from_open_cv(bad, {}, "lens.yml"));
  }
  std::string elements = "<?xml version=\"1.0\"?>\n<opencv_storage>\n";
  for (int i = 0; i < 50000; ++i) elements += "<a>";
  tests::check_refusal(lens_from_open_cv(elements, {}, "lens.xml"));
}
