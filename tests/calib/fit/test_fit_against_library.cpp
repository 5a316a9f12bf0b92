#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "tests/calib/fit/library.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/support/test_data.h"

using namespace trueplate;

namespace {

// OpenCV's order of standard deviations: focal x, y, centre x, y, k1, k2, p1, p2, k3.
constexpr std::array<std::size_t, 9> kTheirPlace{0, 1, 2, 3, 4, 5, 8, 6, 7};

// Agreement of the two optima on identical corners.
constexpr double kRmsTolerance = 1e-6;        // relative
constexpr double kParameterTolerance = 1e-3;  // of the parameter's standard deviation

fit::LensFit compare(const std::vector<target::View>& views,
                     const std::vector<target::View>& for_library) {
  // The library believes the chart.
  const auto ours = fit::fit_lens(views,
                                  {.rejection = fit::Rejection::kOff,
                                   .chart_shape = fit::ChartShape::kFlat,
                                   .held_out_folds = 0});
  REQUIRE(ours);
  const tests::LibraryFit theirs = tests::library_fit(for_library);
  if (ours->fold) {  // The library's lens folds inside the frame, ours is held where it does not.
    MESSAGE("rms " << ours->rms_px << " px, folding " << ours->fold->rms_px << " px, library "
                   << theirs.rms_px << " px");
    CHECK(std::abs(ours->fold->rms_px / theirs.rms_px - 1.0) < kRmsTolerance);
    return *ours;
  }
  MESSAGE("rms " << ours->rms_px << " px, library " << theirs.rms_px << " px, " << ours->iterations
                 << " iterations");
  CHECK(std::abs(ours->rms_px / theirs.rms_px - 1.0) < kRmsTolerance);
  CHECK(ours->rms_px <= theirs.rms_px * (1.0 + 1e-9));
  Eigen::VectorXd p(9);
  p.head<4>() << theirs.lens.focal_px, theirs.lens.principal_point_px;
  for (int i = 0; i < 5; ++i)
    p(4 + i) = lens::parameters(theirs.lens.model)[static_cast<std::size_t>(i)];
  const double n = ours->num_points;
  const double unknowns = 9.0 + 6.0 * ours->num_frames;
  for (int i = 0; i < 9; ++i) {
    CAPTURE(ours->parameter_names[static_cast<std::size_t>(i)]);
    CHECK(std::abs(ours->parameters(i) - p(i)) < kParameterTolerance * ours->sigma(i));
    // OpenCV 4.6 divides by the number of points less the unknowns, not by that of coordinates.
    const double their_sigma = theirs.sigma[kTheirPlace[static_cast<std::size_t>(i)]] *
                               std::sqrt((n - unknowns) / (2.0 * n - unknowns));
    CHECK(ours->sigma(i) == doctest::Approx(their_sigma).epsilon(1e-3));
  }
  return *ours;
}

cv::Mat read_grey(const std::filesystem::path& path) {
  const auto input = OIIO::ImageInput::open(path.string());
  if (!input) return {};
  const OIIO::ImageSpec& spec = input->spec();
  cv::Mat pixels(spec.height, spec.width, CV_8UC(spec.nchannels));
  if (!input->read_image(0, 0, 0, spec.nchannels, OIIO::TypeDesc::UINT8, pixels.data)) return {};
  if (spec.nchannels == 1) return pixels;
  cv::Mat grey;
  cv::cvtColor(pixels, grey, cv::COLOR_RGB2GRAY);
  return grey;
}

/// Corners as OpenCV finds them: a detector that owes nothing to this project.
std::vector<target::View> library_corners(const std::filesystem::path& folder,
                                          const std::string& prefix,
                                          cv::Size grid,
                                          double pitch_mm) {
  std::vector<std::filesystem::path> paths;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    const std::string name = entry.path().filename().string();
    if (name.starts_with(prefix) && name.ends_with(".jpg")) paths.push_back(entry.path());
  }
  std::sort(paths.begin(), paths.end());
  std::vector<target::View> views;
  for (const auto& path : paths) {
    const cv::Mat grey = read_grey(path);
    REQUIRE_FALSE(grey.empty());
    std::vector<cv::Point2f> corners;
    if (!cv::findChessboardCorners(
            grey, grid, corners, cv::CALIB_CB_ADAPTIVE_THRESH | cv::CALIB_CB_NORMALIZE_IMAGE)) {
      continue;
    }
    cv::cornerSubPix(grey,
                     corners,
                     {5, 5},
                     {-1, -1},
                     {cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 100, 1e-4});
    target::View view;
    view.frame = path.filename().string();
    view.plate_size = {grey.cols, grey.rows};
    for (int i = 0; i < static_cast<int>(corners.size()); ++i) {
      target::Corner corner;
      corner.p_chart_mm = {pitch_mm * (i % grid.width), pitch_mm * (i / grid.width), 0.0};
      const cv::Point2f& p = corners[static_cast<std::size_t>(i)];
      corner.p_plate_px = {p.x + 0.5, p.y + 0.5};
      view.corners.push_back(corner);
    }
    views.push_back(std::move(view));
  }
  return views;
}

}  // namespace

// Reference: cv::calibrateCamera of OpenCV, same model, same corners.
TEST_CASE("synthetic views: the library's optimum") {
  for (unsigned seed : {61U, 62U, 63U}) {
    CAPTURE(seed);
    auto views = tests::synthetic_views(tests::synthetic_lens(),
                                        {.num_views = 5 + 5 * static_cast<int>(seed % 3),
                                         .noise_px = 0.1 + 0.2 * (seed % 3),
                                         .seed = seed})
                     .views;
    tests::round_for_library(views);
    compare(views, views);
  }
}

TEST_CASE("photographs: the library's optimum") {
  struct Set {
    std::string folder;
    std::string prefix;
    cv::Size grid;
    double pitch_mm;
  };
  for (const Set& set : {Set{"stereo-640", "left", {9, 6}, 25.0},
                         Set{"stereo-640", "right", {9, 6}, 25.0},
                         Set{"chess-640", "frame", {4, 6}, 30.0},
                         Set{"road-720p", "calibration", {9, 6}, 1.0}}) {
    const auto folder = tests::photograph_set(set.folder);
    if (!folder) continue;
    CAPTURE(set.folder);
    CAPTURE(set.prefix);
    const auto views = library_corners(*folder, set.prefix, set.grid, set.pitch_mm);
    REQUIRE(views.size() >= 10);
    // The library believes one size for all; ours sorts the odd ones out.
    auto same_size = views;
    const ImageSize size = views.back().plate_size;
    std::erase_if(same_size, [&](const target::View& v) { return !(v.plate_size == size); });
    const fit::LensFit fitted = compare(views, same_size);
    CHECK(fitted.num_frames == static_cast<int>(same_size.size()));

    // With rejection on, the held-out frames must not get worse for it.
    const auto robust = fit::fit_lens(views, {.chart_shape = fit::ChartShape::kFlat});
    REQUIRE(robust);
    MESSAGE(set.folder << " " << set.prefix << ": robust rms " << robust->rms_px << ", held out "
                       << *robust->held_out_rms_px << ", " << robust->num_points << " corners in "
                       << robust->num_frames << " frames");
    CHECK(robust->rms_px <= fitted.rms_px * (1.0 + 1e-9));
    CHECK(robust->num_points > 0.8 * fitted.num_points);
  }
}
