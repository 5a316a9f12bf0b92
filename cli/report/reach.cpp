#include "cli/report/reach.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <string>
#include <string_view>
#include <utility>

#include "cli/report/convex_hull.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

/// The circle about the frame's middle that a warning tells of, as far as it lies in the frame.
std::vector<Point2d> circle_in_frame(ImageSize plate, double share_of_corner) {
  constexpr int kPlaces = 240;
  const Point2d middle(0.5 * plate.width, 0.5 * plate.height);
  const double radius = share_of_corner * middle.norm();
  std::vector<Point2d> outline;
  for (int i = 0; i < kPlaces; ++i) {
    const double turn = 2.0 * std::numbers::pi * i / kPlaces;
    const Point2d way(std::cos(turn), std::sin(turn));
    const double to_border = std::min(middle.x() / std::max(std::abs(way.x()), 1e-12),
                                      middle.y() / std::max(std::abs(way.y()), 1e-12));
    outline.push_back(middle + way * std::min(radius, to_border));
  }
  return outline;
}

std::vector<Point2d> used_points(std::span<const target::View> views, const fit::LensFit* fit) {
  std::map<std::string_view, const fit::FrameFit*> fits_of;
  if (fit != nullptr) {
    for (const fit::FrameFit& frame : fit->frames) fits_of[frame.frame] = &frame;
  }
  std::vector<Point2d> points;
  for (const target::View& view : views) {
    const auto found = fits_of.find(view.frame);
    const fit::FrameFit* frame = found == fits_of.end() ? nullptr : found->second;
    if (fit != nullptr &&
        (frame == nullptr || !frame->used || frame->points.size() != view.corners.size())) {
      continue;
    }
    for (std::size_t i = 0; i < view.corners.size(); ++i) {
      if (frame == nullptr || frame->points[i].used) points.push_back(view.corners[i].p_plate_px);
    }
  }
  return points;
}

}  // namespace

bool Reach::holds(const Point2d& p_px) const { return in_hull(outline_px, p_px); }

Reach reach_of(const profile::Station& station,
               std::span<const target::View> views,
               const fit::LensFit* fit) {
  std::vector<Point2d> hull = convex_hull(used_points(views, fit));
  if (hull.size() > 2) return {Reach::Known::kPoints, std::move(hull)};
  for (const Warning& warning : station.warnings) {
    if (warning.code != "short-reach" && warning.code != "lines-do-not-reach") continue;
    if (!(warning.value > 0.0)) continue;
    return {Reach::Known::kWarning, circle_in_frame(station.lens.plate_size, warning.value)};
  }
  return {};
}

std::string reach_words(const Reach& reach, std::string_view dashes) {
  switch (reach.known) {
    case Reach::Known::kPoints:
      return fmt::format(
          "Reach: the outline of the points that were fitted. Beyond it, {}, nothing was measured "
          "and the lens is extrapolated.",
          dashes);
    case Reach::Known::kWarning:
      return fmt::format(
          "Reach: as far from the middle as the farthest point that was fitted. Beyond it, {}, the "
          "lens is extrapolated; within it, in parts, too, which only the observations show.",
          dashes);
    case Reach::Known::kNot:
      break;
  }
  return "How far the points reach that were fitted is not marked: only the observations show it.";
}

std::vector<double> steps_with_changes(int steps, const std::function<bool(double)>& holds) {
  std::vector<double> places{0.0};
  for (int i = 1; i <= steps; ++i) {
    const double end = static_cast<double>(i) / steps;
    double known = places.back();
    double other = end;
    const bool held = holds(known);
    if (held != holds(other)) {
      constexpr int kHalvings = 30;
      for (int k = 0; k < kHalvings; ++k) {
        const double middle = 0.5 * (known + other);
        (holds(middle) == held ? known : other) = middle;
      }
      if (known > places.back() && known < end) places.push_back(known);
    }
    places.push_back(end);
  }
  return places;
}

json beyond_json(const Reach& reach, std::span<const Point2d> line_px) {
  json ranges = json::array();
  for (std::size_t i = 1; i < line_px.size(); ++i) {
    if (reach.holds(0.5 * (line_px[i - 1] + line_px[i]))) continue;
    if (!ranges.empty() && ranges.back()[1] == i - 1) {
      ranges.back()[1] = i;
    } else {
      ranges.push_back({i - 1, i});
    }
  }
  return ranges;
}

json outline_json(const Reach& reach, const lens::Lens& lens) {
  if (reach.known == Reach::Known::kNot) return {};
  constexpr double kPieces = 48.0;  // along the longer side: straight edges are bent ones elsewhere
  const double piece = std::max(lens.plate_size.width, lens.plate_size.height) / kPieces;
  json straight = json::array();
  json bent = json::array();
  for (std::size_t i = 0; i < reach.outline_px.size(); ++i) {
    const Point2d& from = reach.outline_px[i];
    const Point2d way = reach.outline_px[(i + 1) % reach.outline_px.size()] - from;
    const int pieces = std::max(1, static_cast<int>(std::ceil(way.norm() / piece)));
    for (int k = 0; k < pieces; ++k) {
      const Point2d p = from + way * (static_cast<double>(k) / pieces);
      const std::optional<Point2d> source = lens::undistort_px(lens, p);
      if (!source) continue;  // no ray: not in the straight frame
      straight.push_back({rounded(source->x(), 0.01), rounded(source->y(), 0.01)});
      bent.push_back({rounded(p.x(), 0.001), rounded(p.y(), 0.001)});
    }
  }
  return {{"straight", std::move(straight)}, {"bent", std::move(bent)}};
}

}  // namespace trueplate::cli
