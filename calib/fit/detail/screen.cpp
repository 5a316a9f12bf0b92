#include "calib/fit/detail/screen.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <set>
#include <span>
#include <tuple>
#include <utility>

#include "calib/base/decompositions.h"

namespace trueplate::fit::detail {
namespace {

// Out-of-plane over smallest in-plane standard deviation above which a chart is no longer "nearly
// flat": the homography's start would be too far off.
constexpr double kMaxBulge = 0.1;
// Chart coordinates closer than this share of the chart's extent are the same corner.
constexpr double kSameCorner = 1e-6;
constexpr double kMaxChartMm = 1e9;

bool valid_size(ImageSize size) {
  return size.width > 0 && size.height > 0 && size.width <= kMaxImageSide &&
         size.height <= kMaxImageSide;
}

/// Reasons that need only one corner and the plate.
std::string corner_problem(const target::Corner& corner, ImageSize plate) {
  if (!corner.p_chart_mm.allFinite() || !corner.p_plate_px.allFinite()) {
    return "not a finite number";
  }
  if (corner.p_chart_mm.cwiseAbs().maxCoeff() > kMaxChartMm) {
    return "chart position beyond 1000 km";
  }
  const double x = corner.p_plate_px.x();
  const double y = corner.p_plate_px.y();
  if (x < -plate.width || x > 2.0 * plate.width || y < -plate.height || y > 2.0 * plate.height) {
    return fmt::format(
        "({:.1f}, {:.1f}) is far outside the {}x{} plate", x, y, plate.width, plate.height);
  }
  return {};
}

void mark_duplicates(const target::View& view, std::vector<std::string>& reasons) {
  double extent = 0.0;
  for (std::size_t i = 0; i < view.corners.size(); ++i) {
    if (reasons[i].empty()) {
      extent = std::max(extent, view.corners[i].p_chart_mm.cwiseAbs().maxCoeff());
    }
  }
  if (!(extent > 0.0)) return;
  std::map<std::array<double, 3>, std::size_t> seen;
  for (std::size_t i = 0; i < view.corners.size(); ++i) {
    if (!reasons[i].empty()) continue;
    const Eigen::Vector3d cell =
        (view.corners[i].p_chart_mm / (kSameCorner * extent)).array().round();
    const auto [first, fresh] = seen.try_emplace({cell.x(), cell.y(), cell.z()}, i);
    if (!fresh) reasons[i] = fmt::format("same place on the chart as corner {}", first->second);
  }
}

void append(const target::Corner& corner, ViewPoints& points) {
  points.chart_mm.insert(points.chart_mm.end(), corner.p_chart_mm.begin(), corner.p_chart_mm.end());
  points.plate_px.insert(points.plate_px.end(), corner.p_plate_px.begin(), corner.p_plate_px.end());
  points.root_weight.push_back(1.0);
}

/// Moves the best plane of the corners to z = 0. Returns a reason when they are not nearly flat.
std::string find_plane(const ViewPoints& points, Pose& plane_from_chart) {
  const Eigen::Map<const Eigen::Matrix3Xd> p(
      points.chart_mm.data(), 3, static_cast<Eigen::Index>(points.size()));
  if (p.row(2).isZero(0.0)) return {};
  const Eigen::Vector3d mean = p.rowwise().mean();
  const Eigen::Matrix3Xd d = p.colwise() - mean;
  const auto eigen = symmetric_eigen<3>(d * d.transpose());
  const Eigen::Vector3d spread = eigen.eigenvalues().cwiseMax(0.0).cwiseSqrt();
  if (!(spread(0) <= kMaxBulge * spread(1))) {
    return fmt::format(
        "the corners fill a volume (out of plane by {:.3g} of their width), wanted a nearly flat "
        "chart",
        spread(0) / spread(2));
  }
  Eigen::Matrix3d rows;
  rows.row(0) = eigen.eigenvectors().col(2).transpose();
  rows.row(1) = eigen.eigenvectors().col(1).transpose();
  rows.row(2) = rows.row(0).cross(rows.row(1));
  plane_from_chart = {.rotation = rows, .translation_mm = -rows * mean};
  return {};
}

/// Homography from the chart's plane to whatever `image` holds; the corners' own plate positions
/// when it is empty.
Result<Eigen::Matrix3d> plane_homography(const ViewPoints& points,
                                         const Pose& plane_from_chart,
                                         std::span<const Point2d> image) {
  std::vector<target::Corner> corners(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) {
    corners[i].p_chart_mm =
        plane_from_chart.rotation * Eigen::Map<const Eigen::Vector3d>(&points.chart_mm[3 * i]) +
        plane_from_chart.translation_mm;
    corners[i].p_plate_px =
        image.empty() ? Point2d(points.plate_px[2 * i], points.plate_px[2 * i + 1]) : image[i];
  }
  return homography_of(corners);
}

Pose composed(const Pose& camera_from_plane, const Pose& plane_from_chart) {
  return {.rotation = camera_from_plane.rotation * plane_from_chart.rotation,
          .translation_mm = camera_from_plane.rotation * plane_from_chart.translation_mm +
                            camera_from_plane.translation_mm};
}

void screen_corners(const target::View& view, ScreenedView& screened) {
  screened.reasons.reserve(view.corners.size());
  for (const target::Corner& corner : view.corners) {
    screened.reasons.push_back(corner_problem(corner, view.plate_size));
  }
  mark_duplicates(view, screened.reasons);
}

void collect(const target::View& view, ScreenedView& screened) {
  screened.points = {};
  screened.corner_of.clear();
  for (std::size_t i = 0; i < view.corners.size(); ++i) {
    if (!screened.reasons[i].empty()) continue;
    append(view.corners[i], screened.points);
    screened.corner_of.push_back(i);
  }
}

void screen_view(const target::View& view, ScreenedView& screened) {
  screened.reasons.resize(view.corners.size());
  if (!valid_size(view.plate_size)) {
    screened.reason = fmt::format("plate size {}x{}, wanted 1 to {} pixels each way",
                                  view.plate_size.width,
                                  view.plate_size.height,
                                  kMaxImageSide);
    return;
  }
  screened.reasons.clear();
  screen_corners(view, screened);
  // Twice: corners found behind the camera are dropped and the homography made anew.
  for (int round = 0; round < 2; ++round) {
    collect(view, screened);
    if (screened.points.size() < 4) {
      screened.reason = fmt::format("found {} usable corners of {}, a frame needs at least 4",
                                    screened.points.size(),
                                    view.corners.size());
      return;
    }
    screened.reason = find_plane(screened.points, screened.plane_from_chart);
    if (!screened.usable()) return;
    const Result<Eigen::Matrix3d> h =
        plane_homography(screened.points, screened.plane_from_chart, {});
    if (!h) {
      screened.reason = h.error().message;
      return;
    }
    screened.plate_from_plane = *h;
    bool dropped = false;
    for (std::size_t i = 0; i < screened.points.size(); ++i) {
      const Eigen::Vector3d p =
          screened.plane_from_chart.rotation *
              Eigen::Map<const Eigen::Vector3d>(&screened.points.chart_mm[3 * i]) +
          screened.plane_from_chart.translation_mm;
      if (!(h->row(2).dot(Eigen::Vector3d(p.x(), p.y(), 1.0)) > 0.0)) {
        screened.reasons[screened.corner_of[i]] = "would lie behind the camera";
        dropped = true;
      }
    }
    if (!dropped) return;
  }
  screened.reason = "no view of a flat chart puts its corners where they were found";
}

/// Weights 1 / sigma, scaled so that the median known sigma has weight 1.
void set_weights(const std::vector<target::View>& views, std::vector<ScreenedView>& screened) {
  const auto known = [](double sigma) { return std::isfinite(sigma) && sigma > 0.0; };
  std::vector<double> all;
  for (const ScreenedView& s : screened) {
    if (!s.usable()) continue;
    for (std::size_t c : s.corner_of) {
      const double sigma = views[s.index].corners[c].sigma_px;
      if (known(sigma)) all.push_back(sigma);
    }
  }
  if (all.empty()) return;
  const auto middle = all.begin() + static_cast<std::ptrdiff_t>(all.size() / 2);
  std::nth_element(all.begin(), middle, all.end());
  for (ScreenedView& s : screened) {
    for (std::size_t i = 0; i < s.points.size(); ++i) {
      const double sigma = views[s.index].corners[s.corner_of[i]].sigma_px;
      if (known(sigma)) s.points.root_weight[i] = *middle / sigma;
    }
  }
}

ImageSize most_common_size(const std::vector<target::View>& views,
                           const std::vector<ScreenedView>& screened) {
  std::map<std::pair<int, int>, int> counts;
  for (const ScreenedView& s : screened) {
    const ImageSize size = views[s.index].plate_size;
    if (s.usable()) ++counts[{size.width, size.height}];
  }
  ImageSize best;
  std::tuple<int, long, int> best_key{0, 0, 0};
  for (const auto& [size, count] : counts) {
    const std::tuple<int, long, int> key{
        count, static_cast<long>(size.first) * size.second, size.first};
    if (key > best_key) {
      best_key = key;
      best = {size.first, size.second};
    }
  }
  return best;
}

}  // namespace

Pose ScreenedView::pose(const Pinhole& pinhole) const {
  return composed(pose_from_homography(plate_from_plane, pinhole), plane_from_chart);
}

Screened screen(const std::vector<target::View>& views, const FitOptions& options) {
  Screened result;
  for (std::size_t i = 0; i < views.size(); ++i) {
    ScreenedView screened;
    screened.index = i;
    screen_view(views[i], screened);
    if (const auto out = options.left_out.find(i); out != options.left_out.end()) {
      screened.reason = out->second;
    }
    result.views.push_back(std::move(screened));
  }
  if (options.weighting == Weighting::kBySigma) set_weights(views, result.views);
  result.plate_size = most_common_size(views, result.views);
  for (ScreenedView& s : result.views) {
    const ImageSize size = views[s.index].plate_size;
    if (s.usable() && !(size == result.plate_size)) {
      s.reason = fmt::format("plate size {}x{}, most frames have {}x{}",
                             size.width,
                             size.height,
                             result.plate_size.width,
                             result.plate_size.height);
      ++result.num_other_size;
    }
  }
  std::sort(
      result.views.begin(), result.views.end(), [&](const ScreenedView& a, const ScreenedView& b) {
        return std::tie(views[a.index].frame, a.points.plate_px, a.points.chart_mm) <
               std::tie(views[b.index].frame, b.points.plate_px, b.points.chart_mm);
      });
  return result;
}

bool determines_homography(const ViewPoints& points, const Pose& plane_from_chart) {
  return plane_homography(points, plane_from_chart, {}).has_value();
}

std::optional<Pose> pose_through_lens(const ViewPoints& points,
                                      const Pose& plane_from_chart,
                                      const lens::Lens& lens) {
  std::vector<Point2d> straight;
  straight.reserve(points.size());
  for (std::size_t i = 0; i < points.size(); ++i) {
    const std::optional<Point2d> p =
        lens::undistort_px(lens, {points.plate_px[2 * i], points.plate_px[2 * i + 1]});
    if (!p) return std::nullopt;
    straight.push_back(*p);
  }
  const Result<Eigen::Matrix3d> h = plane_homography(points, plane_from_chart, straight);
  if (!h) return std::nullopt;
  const Pinhole pinhole{lens.focal_px, lens.principal_point_px};
  return composed(pose_from_homography(*h, pinhole), plane_from_chart);
}

}  // namespace trueplate::fit::detail
