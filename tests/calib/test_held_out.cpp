// Frames that no fit has seen, on every set of real photographs: ours beside OpenCV 4.6's
// calibrateCamera (five coefficients) and fisheye::calibrate on the same points.
//
// The frames, by name, are cut into five runs. For each run every program fits its lens to the
// other frames; then each frame of the run gets its pose from one half of its points and is judged
// on the other half, and the same with the halves exchanged. One judge for all: the least squares
// below, which knows a lens only by lens::distort.
//
// "Same model" is plain least squares with the library's model and the chart believed, "as the
// program runs" the model chosen, wrong corners left out, the shape of the chart fitted along.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <functional>
#include <limits>
#include <map>
#include <opencv2/calib3d.hpp>
#include <random>
#include <string>
#include <vector>

#include "calib/calibrate.h"
#include "calib/fit/model_choice.h"
#include "tests/calib/fit/library.h"
#include "tests/support/test_data.h"

using namespace trueplate;

namespace {

constexpr std::size_t kFolds = 5;
// Two programs that end in the same optimum differ by rounding, and where ours leaves a corner out
// of the fit by what that corner was worth.
constexpr double kEqual = 1.005;

struct Set {
  const char* folder;
  std::vector<std::string> names;  // globs
  target::Chart chart;
  bool either_way_up = false;  // nothing on the print tells a half turn
};

const std::vector<Set>& sets() {
  static const std::vector<Set> list{
      {"stereo-640", {"left*.jpg"}, {.pitch_mm = 25, .columns = 9, .rows = 6}},
      {"stereo-640", {"right*.jpg"}, {.pitch_mm = 25, .columns = 9, .rows = 6}},
      {"chess-640", {"frame*.jpg"}, {.pitch_mm = 30, .columns = 6, .rows = 4}},
      {"road-720p", {"calibration*.jpg"}, {.pitch_mm = 1, .columns = 9, .rows = 6}},
      {"dots-640",
       {"*.jpg"},
       {.kind = target::ChartKind::kDots, .pitch_mm = 25, .columns = 8, .rows = 10},
       true},
  };
  return list;
}

std::vector<target::View> views_of(const Set& set, const std::filesystem::path& folder) {
  std::vector<std::string> arguments;
  for (const std::string& name : set.names) arguments.push_back((folder / name).string());
  const auto frames = footage::resolve_frames(arguments);
  REQUIRE(frames);
  const auto detected = detect_frames(*frames, {.chart = set.chart});
  REQUIRE(detected);
  const ImageSize size = common_plate_size(*detected);
  std::vector<target::View> views;
  for (const DetectedFrame& frame : *detected) {
    if (frame.corners.empty() || frame.plate_size != size) continue;
    views.push_back({frame.name, size, frame.corners});
  }
  std::sort(
      views.begin(), views.end(), [](const auto& a, const auto& b) { return a.frame < b.frame; });
  tests::round_for_library(views);
  return views;
}

/// What a fit learned: the lens, and where the points of the print are.
struct Learned {
  lens::Lens lens;
  std::vector<fit::ChartPoint> points = {};
};

using Fitter = std::function<std::optional<Learned>(const std::vector<target::View>&)>;

/// Residuals of a view, plate pixels; nullopt where a point is not imaged.
std::optional<Eigen::VectorXd> residuals(const lens::Lens& lens,
                                         const std::vector<target::Corner>& corners,
                                         const fit::Pose& pose) {
  Eigen::VectorXd result(2 * static_cast<Eigen::Index>(corners.size()));
  for (std::size_t i = 0; i < corners.size(); ++i) {
    const Eigen::Vector3d p = pose.rotation * corners[i].p_chart_mm + pose.translation_mm;
    if (!(p.z() > 0.0)) return std::nullopt;
    const auto distorted = lens::distort(lens.model, p.hnormalized());
    if (!distorted) return std::nullopt;
    result.segment<2>(2 * static_cast<Eigen::Index>(i)) =
        lens::px_from_ideal(lens, *distorted) - corners[i].p_plate_px;
  }
  return result;
}

fit::Pose moved(const fit::Pose& pose, const Eigen::Matrix<double, 6, 1>& step) {
  const Eigen::Vector3d turn = step.head<3>();
  const double angle = turn.norm();
  fit::Pose result = pose;
  if (angle > 0.0) {
    result.rotation = Eigen::AngleAxisd(angle, turn / angle).toRotationMatrix() * pose.rotation;
  }
  result.translation_mm += step.tail<3>() * pose.translation_mm.norm();
  return result;
}

/// The pose that fits best, by damped least squares on differences.
std::optional<fit::Pose> pose_of(const lens::Lens& lens,
                                 const std::vector<target::Corner>& corners) {
  const auto homography = fit::homography_of(corners);
  if (!homography) return std::nullopt;
  fit::Pose pose = fit::pose_from_homography(*homography, {lens.focal_px, lens.principal_point_px});
  double damping = 1e-3;
  auto here = residuals(lens, corners, pose);
  if (!here) return std::nullopt;
  constexpr int kSteps = 60;
  constexpr double kDelta = 1e-6;
  using Step = Eigen::Matrix<double, 6, 1>;
  for (int i = 0; i < kSteps; ++i) {
    Eigen::MatrixXd jacobian(here->size(), 6);
    for (int k = 0; k < 6; ++k) {
      const auto there = residuals(lens, corners, moved(pose, kDelta * Step::Unit(k)));
      if (!there) return std::nullopt;
      jacobian.col(k) = (*there - *here) / kDelta;
    }
    Eigen::Matrix<double, 6, 6> normal = jacobian.transpose() * jacobian;
    normal.diagonal() *= 1.0 + damping;
    const Step step = normal.ldlt().solve(-(jacobian.transpose() * *here));
    const auto there = residuals(lens, corners, moved(pose, step));
    if (there && there->squaredNorm() <= here->squaredNorm()) {
      const bool settled = step.norm() < 1e-10;
      pose = moved(pose, step);
      here = there;
      damping *= 0.1;
      if (settled) break;
    } else {
      damping *= 10.0;
    }
  }
  return pose;
}

struct Sum {
  double squares = 0.0;
  double points = 0.0;

  [[nodiscard]] double rms_px() const { return std::sqrt(squares / points); }
};

/// The corners with their places as the fit found them.
std::vector<target::Corner> placed(std::vector<target::Corner> corners, const Learned& learned) {
  std::map<std::pair<double, double>, Eigen::Vector3d> offsets;
  const auto key = [](const Eigen::Vector3d& p) {
    return std::pair(std::round(1e3 * p.x()), std::round(1e3 * p.y()));
  };
  for (const fit::ChartPoint& point : learned.points) {
    offsets[key(point.described_mm)] = point.offset_mm;
  }
  for (target::Corner& corner : corners) {
    const auto found = offsets.find(key(corner.p_chart_mm));
    if (found != offsets.end()) corner.p_chart_mm += found->second;
  }
  return corners;
}

/// The corners as if the print had been read upside down.
std::vector<target::Corner> turned(std::vector<target::Corner> corners, const Set& set) {
  const Eigen::Vector3d end(
      set.chart.pitch_mm * (set.chart.columns - 1), set.chart.pitch_mm * (set.chart.rows - 1), 0.0);
  for (target::Corner& corner : corners) corner.p_chart_mm = end - corner.p_chart_mm;
  return corners;
}

Sum judge_halves(const Learned& learned, std::vector<target::Corner> corners) {
  corners = placed(std::move(corners), learned);
  std::mt19937 random(7);
  std::shuffle(corners.begin(), corners.end(), random);
  const auto middle = corners.begin() + static_cast<std::ptrdiff_t>(corners.size() / 2);
  const std::vector<target::Corner> halves[2] = {{corners.begin(), middle},
                                                 {middle, corners.end()}};
  Sum sum;
  for (int side = 0; side < 2; ++side) {
    const auto pose = pose_of(learned.lens, halves[side]);
    const auto errors = pose ? residuals(learned.lens, halves[1 - side], *pose) : std::nullopt;
    sum.squares += errors ? errors->squaredNorm() : std::numeric_limits<double>::infinity();
    sum.points += static_cast<double>(halves[1 - side].size());
  }
  return sum;
}

Sum judge(const Set& set, const Learned& learned, const target::View& view) {
  Sum sum = judge_halves(learned, view.corners);
  if (!set.either_way_up) return sum;
  const Sum other = judge_halves(learned, turned(view.corners, set));
  return other.squares < sum.squares ? other : sum;
}

/// rms over all frames, each judged by a lens that has not seen it; nullopt where a fit failed.
std::optional<double> held_out_px(const Set& set,
                                  const std::vector<target::View>& views,
                                  const Fitter& fitter) {
  Sum total;
  for (std::size_t fold = 0; fold < kFolds; ++fold) {
    const std::size_t first = fold * views.size() / kFolds;
    const std::size_t last = (fold + 1) * views.size() / kFolds;
    std::vector<target::View> others;
    for (std::size_t i = 0; i < views.size(); ++i) {
      if (i < first || i >= last) others.push_back(views[i]);
    }
    const std::optional<Learned> learned = fitter(others);
    if (!learned) return std::nullopt;
    for (std::size_t i = first; i < last; ++i) {
      const Sum one = judge(set, *learned, views[i]);
      total.squares += one.squares;
      total.points += one.points;
    }
  }
  return total.rms_px();
}

std::optional<Learned> fisheye_of_library(const std::vector<target::View>& views) {
  std::vector<std::vector<cv::Point3d>> chart;
  std::vector<std::vector<cv::Point2d>> plate;
  for (const target::View& view : views) {
    chart.emplace_back();
    plate.emplace_back();
    for (const target::Corner& corner : view.corners) {
      chart.back().emplace_back(corner.p_chart_mm.x(), corner.p_chart_mm.y(), 0.0);
      plate.back().emplace_back(corner.p_plate_px.x() - 0.5, corner.p_plate_px.y() - 0.5);
    }
  }
  const ImageSize size = views.front().plate_size;
  cv::Matx33d camera;
  cv::Vec4d k;
  try {
    cv::fisheye::calibrate(chart,
                           plate,
                           {size.width, size.height},
                           camera,
                           k,
                           cv::noArray(),
                           cv::noArray(),
                           cv::fisheye::CALIB_RECOMPUTE_EXTRINSIC | cv::fisheye::CALIB_FIX_SKEW,
                           {cv::TermCriteria::COUNT | cv::TermCriteria::EPS, 200, 1e-12});
  } catch (const cv::Exception&) {
    return std::nullopt;  // it gives up where a pose comes out badly
  }
  Learned result;
  result.lens.plate_size = size;
  result.lens.focal_px = {camera(0, 0), camera(1, 1)};
  result.lens.principal_point_px = {camera(0, 2) + 0.5, camera(1, 2) + 0.5};
  result.lens.model = lens::Equidistant({k[0], k[1], k[2], k[3]});
  if (!lens::validate(result.lens)) return std::nullopt;
  return result;
}

Fitter ours(const fit::FitOptions& options) {
  return [options](const std::vector<target::View>& views) -> std::optional<Learned> {
    const auto fitted = fit::fit_lens(views, options);
    if (!fitted) return std::nullopt;
    return Learned{fitted->lens, fitted->chart.points};
  };
}

/// The model that the program takes for a set. It is chosen once: choosing takes the time of
/// twenty fits.
std::string model_for(const std::vector<target::View>& views) {
  const auto choice = fit::fit_best_model(views, {});
  REQUIRE_MESSAGE(choice.has_value(), choice.error().message);
  return std::string(lens::model_name(choice->fit.lens.model));
}

std::string text(const std::optional<double>& px) {
  return px ? fmt::format("{:.4f} px", *px) : "fails";
}

}  // namespace

TEST_CASE("frames that no fit has seen: never worse than the library") {
  for (const Set& set : sets()) {
    const auto folder = tests::photograph_set(set.folder);
    if (!folder) continue;
    const std::string name = fmt::format("{}/{}", set.folder, set.names.front());
    CAPTURE(name);
    const std::vector<target::View> views = views_of(set, *folder);
    const auto same = held_out_px(set,
                                  views,
                                  ours({.rejection = fit::Rejection::kOff,
                                        .chart_shape = fit::ChartShape::kFlat,
                                        .held_out_folds = 0}));
    const std::string model = model_for(views);
    const auto standard = held_out_px(set, views, ours({.model = model, .held_out_folds = 0}));
    const auto library = held_out_px(set, views, [](const auto& others) {
      return std::optional(Learned{tests::library_fit(others).lens});
    });
    const auto fisheye = held_out_px(set, views, fisheye_of_library);
    MESSAGE(fmt::format(
        "{:<24} {} frames, held out: same model {}, as the program runs {} ({}); calibrateCamera "
        "{}, fisheye::calibrate {}",
        name,
        views.size(),
        text(same),
        text(standard),
        model,
        text(library),
        text(fisheye)));
    REQUIRE(same);
    REQUIRE(standard);
    REQUIRE(library);
    CHECK(*same <= kEqual * *library);
    CHECK(*standard <= kEqual * std::min(*library, fisheye.value_or(*library)));
  }
}
