#include "cli/report/convex_hull.h"

#include <algorithm>
#include <utility>

namespace trueplate::cli {
namespace {

/// To the left of the way from a to b, times its length.
double left_of(const Point2d& a, const Point2d& b, const Point2d& p) {
  return (b.x() - a.x()) * (p.y() - a.y()) - (b.y() - a.y()) * (p.x() - a.x());
}

}  // namespace

std::vector<Point2d> convex_hull(std::vector<Point2d> places) {
  std::sort(places.begin(), places.end(), [](const Point2d& a, const Point2d& b) {
    return std::pair(a.x(), a.y()) < std::pair(b.x(), b.y());
  });
  std::vector<Point2d> hull;
  for (int side = 0; side < 2; ++side) {
    const std::size_t first = hull.size();
    for (const Point2d& place : places) {
      while (hull.size() >= first + 2 &&
             left_of(hull[hull.size() - 2], hull.back(), place) <= 1e-9) {
        hull.pop_back();
      }
      hull.push_back(place);
    }
    if (!hull.empty()) hull.pop_back();  // begins the other side
    std::reverse(places.begin(), places.end());
  }
  return hull;
}

bool in_hull(std::span<const Point2d> hull, const Point2d& p, double margin) {
  for (std::size_t i = 0; i < hull.size(); ++i) {
    const Point2d& a = hull[i];
    const Point2d& b = hull[(i + 1) % hull.size()];
    if (left_of(a, b, p) < -margin * (b - a).norm()) return false;
  }
  return true;
}

}  // namespace trueplate::cli
