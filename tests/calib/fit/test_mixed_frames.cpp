// Frames that do not belong together: some shot at another focal length, some with a part of the
// chart numbered wrongly. The truth is known by construction; how often clean shoots are suspected
// is counted over many of them.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <iterator>
#include <string>
#include <vector>

#include "calib/fit/detail/frame_focal.h"
#include "calib/fit/fit.h"
#include "calib/lens/model.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/support/warnings.h"

using namespace trueplate;

namespace {

constexpr int kViews = 15;
constexpr double kLonger = 1.04;
constexpr double kMostFalseAlarms =
    0.04;  // over 200 shoots it is 0 with the right model, 0.01 with another

std::vector<target::View> views_of(const lens::Lens& lens, unsigned seed, int num_views = kViews) {
  return tests::synthetic_views(lens, {.num_views = num_views, .seed = seed}).views;
}

lens::Lens longer_lens() {
  lens::Lens lens = tests::synthetic_lens();
  lens.focal_px *= kLonger;
  return lens;
}

/// Frames of one lens, then `num_other` of a longer one, numbered on.
std::vector<target::View> mixed(int num_other, unsigned seed) {
  std::vector<target::View> views = views_of(tests::synthetic_lens(), seed, kViews - num_other);
  std::vector<target::View> other = views_of(longer_lens(), seed + 1000, num_other);
  std::move(other.begin(), other.end(), std::back_inserter(views));
  for (std::size_t i = 0; i < views.size(); ++i) views[i].frame = fmt::format("frame.{}", 1001 + i);
  return views;
}

fit::LensFit fit_of(const std::vector<target::View>& views) {
  auto fitted = fit::fit_lens(views, {.held_out_folds = 0, .threads = 1});
  REQUIRE_MESSAGE(fitted.has_value(), fitted.error().message);
  return *std::move(fitted);
}

int num_used(const fit::LensFit& fit, std::size_t begin, std::size_t end) {
  return static_cast<int>(std::count_if(fit.frames.begin() + static_cast<std::ptrdiff_t>(begin),
                                        fit.frames.begin() + static_cast<std::ptrdiff_t>(end),
                                        [](const fit::FrameFit& frame) { return frame.used; }));
}

/// The corners right of the middle of one view get the chart positions of the next column.
void number_half_wrongly(target::View& view) {
  constexpr double kMiddleMm = 100.0;
  constexpr double kPitchMm = 25.0;
  for (target::Corner& corner : view.corners) {
    if (corner.p_chart_mm.x() > kMiddleMm) corner.p_chart_mm.x() += kPitchMm;
  }
}

}  // namespace

TEST_CASE("a minority of frames at another focal length is left out and named") {
  for (const unsigned seed : {1U, 2U}) {
    for (const int num_other : {1, 5}) {
      CAPTURE(seed);
      CAPTURE(num_other);
      const fit::LensFit fit = fit_of(mixed(num_other, seed));
      const std::size_t first_other = static_cast<std::size_t>(kViews - num_other);
      CHECK(num_used(fit, 0, first_other) == kViews - num_other);
      CHECK(num_used(fit, first_other, kViews) == 0);
      CHECK(fit.frames[first_other].reason.find("focal length") != std::string::npos);
      CHECK(std::abs(fit.parameters(0) - tests::synthetic_lens().focal_px.x()) <
            4.0 * fit.sigma(0));
      CHECK(tests::find_warning(fit.warnings, "frames-rejected") != nullptr);
      CHECK(tests::find_warning(fit.warnings, "mixed-focal") == nullptr);
    }
  }
}

TEST_CASE("frames at two focal lengths, about as many of each, are told apart and none is chosen") {
  const fit::LensFit fit = fit_of(mixed(kViews / 2, 4));
  const Warning* warning = tests::find_warning(fit.warnings, "mixed-focal");
  REQUIRE(warning != nullptr);
  CHECK(std::abs(warning->value - (kLonger - 1.0)) < 0.005);
  CHECK(warning->message.find("frame.1015") != std::string::npos);
}

TEST_CASE("frames are not left out for their focal length where all corners are to be kept") {
  const auto fitted = fit::fit_lens(
      mixed(3, 5), {.rejection = fit::Rejection::kOff, .held_out_folds = 0, .threads = 1});
  REQUIRE(fitted.has_value());
  CHECK(fitted->num_frames == kViews);
  CHECK(tests::find_warning(fitted->warnings, "mixed-focal") != nullptr);
}

TEST_CASE("a frame of which a part was numbered wrongly is named, and the lens is the right one") {
  std::vector<target::View> views = views_of(tests::synthetic_lens(), 6);
  number_half_wrongly(views[4]);
  number_half_wrongly(views[9]);
  const fit::LensFit fit = fit_of(views);
  const Warning* warning = tests::find_warning(fit.warnings, "misread-frames");
  REQUIRE(warning != nullptr);
  CHECK(warning->value == 2.0);
  CHECK(warning->message.find(views[4].frame) != std::string::npos);
  CHECK(warning->message.find(views[9].frame) != std::string::npos);
  CHECK(std::abs(fit.parameters(0) - tests::synthetic_lens().focal_px.x()) < 4.0 * fit.sigma(0));
}

TEST_CASE("a chart that bends from frame to frame is no other focus") {
  int num_suspected = 0;
  for (unsigned seed = 1; seed <= 10; ++seed) {
    const auto bent_by = [&](double bend_mm) {
      return tests::synthetic_views(
          tests::synthetic_lens(),
          {.num_views = kViews, .seed = seed, .print = [bend_mm](const Eigen::Vector3d& p) {
             const double u = (p.x() - 100.0) / 100.0;
             return Eigen::Vector3d(p + Eigen::Vector3d(0.0, 0.0, bend_mm * u * u));
           }});
    };
    std::vector<target::View> views = bent_by(1.5).views;
    const auto other_way = bent_by(-1.5);
    for (std::size_t i = 0; i < kViews / 3; ++i) views[3 * i] = other_way.views[3 * i];
    const auto fitted = fit::fit_lens(
        views, {.chart_shape = fit::ChartShape::kFlat, .held_out_folds = 0, .threads = 1});
    REQUIRE(fitted);
    const bool left_out =
        std::any_of(fitted->frames.begin(), fitted->frames.end(), [](const fit::FrameFit& frame) {
          return frame.reason.find("fits a focal length") != std::string::npos;
        });
    num_suspected += left_out || tests::has_warning(fitted->warnings, "mixed-focal") ? 1 : 0;
  }
  CHECK(num_suspected == 0);
}

TEST_CASE("clean shoots are not suspected, whether the model holds or not") {
  constexpr int kShoots = 25;
  lens::Lens fisheye = tests::synthetic_lens();
  fisheye.focal_px *= 0.6;
  fisheye.model = lens::Equidistant({0.02, -0.01, 0.0, 0.0});
  for (const lens::Lens& lens : {tests::synthetic_lens(), fisheye}) {
    int alarms = 0;
    for (unsigned seed = 1; seed <= kShoots; ++seed) {
      const fit::LensFit fit = fit_of(views_of(lens, seed));
      const bool other_focal =
          std::any_of(fit.frames.begin(), fit.frames.end(), [](const fit::FrameFit& frame) {
            return frame.reason.find("focal length") != std::string::npos;
          });
      alarms += other_focal || tests::find_warning(fit.warnings, "mixed-focal") != nullptr ||
                        tests::find_warning(fit.warnings, "misread-frames") != nullptr
                    ? 1
                    : 0;
    }
    MESSAGE(fmt::format(
        "{}: {} of {} clean shoots suspected", lens::model_name(lens.model), alarms, kShoots));
    CHECK(alarms <= kMostFalseAlarms * kShoots);
  }
}

TEST_CASE("frames whose focal lengths scatter without a gap are one group") {
  // Changes and standard deviations as radial-tangential finds them in the 13 photographs of
  // stereo-640, right: one camera, one focus (its README).
  const double changes[] = {0.00442,
                            0.00265,
                            -0.00362,
                            -0.00193,
                            -0.00417,
                            -0.00377,
                            -0.00182,
                            -0.00255,
                            -0.00014,
                            0.00176,
                            -0.00315,
                            0.00441,
                            0.00079};
  const double sigmas[] = {0.00229,
                           0.00052,
                           0.00058,
                           0.00117,
                           0.00049,
                           0.00111,
                           0.00105,
                           0.00074,
                           0.00133,
                           0.00076,
                           0.00095,
                           0.00075,
                           0.00093};
  std::vector<fit::detail::FrameFocal> frames;
  for (std::size_t i = 0; i < std::size(changes); ++i) {
    frames.push_back({.frame = i, .change = changes[i], .sigma = sigmas[i]});
  }
  CHECK_FALSE(fit::detail::two_focals(frames));
  // The same with four of them a per cent longer.
  for (const std::size_t i : {0u, 1u, 11u, 9u}) frames[i].change += 0.01;
  const auto two = fit::detail::two_focals(frames);
  REQUIRE(two);
  CHECK(two->many.size() >= 9);
}
