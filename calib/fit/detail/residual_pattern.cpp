#include "calib/fit/detail/residual_pattern.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <unordered_map>

namespace trueplate::fit::detail {
namespace {

constexpr std::size_t kFewestTriples = 50;
constexpr std::size_t kPitchSamples = 32;
// Shares of the pitch: neighbours lie within the first, a corner is where it is looked for within
// the second.
constexpr double kReach = 1.2;
constexpr double kSlack = 0.2;

struct Site {
  Point2d p_chart_mm;
  Point2d residual_px;
};

/// Typical distance to the nearest other site.
double pitch_of(const std::vector<Site>& sites) {
  std::vector<double> nearest;
  const std::size_t step = std::max<std::size_t>(1, sites.size() / kPitchSamples);
  for (std::size_t i = 0; i < sites.size(); i += step) {
    double best = std::numeric_limits<double>::infinity();
    for (std::size_t j = 0; j < sites.size(); ++j) {
      if (j == i) continue;
      best = std::min(best, (sites[i].p_chart_mm - sites[j].p_chart_mm).squaredNorm());
    }
    nearest.push_back(std::sqrt(best));
  }
  const auto middle = nearest.begin() + static_cast<std::ptrdiff_t>(nearest.size() / 2);
  std::nth_element(nearest.begin(), middle, nearest.end());
  return *middle;
}

/// Sites by cells of half a pitch, so that a cell holds one at most.
class Lattice {
 public:
  Lattice(const std::vector<Site>& sites, double pitch) : sites_(sites), pitch_(pitch) {
    for (std::size_t i = 0; i < sites.size(); ++i)
      cells_.emplace(key(cell(sites[i].p_chart_mm)), i);
  }

  /// The site within `radius` pitches of p (0.5 at most) that is nearest, or null.
  [[nodiscard]] const Site* find(const Point2d& p, double radius) const {
    const Cell middle = cell(p);
    const Site* best = nullptr;
    double best_distance = radius * pitch_;
    for (std::int64_t dy = -1; dy <= 1; ++dy) {
      for (std::int64_t dx = -1; dx <= 1; ++dx) {
        const auto found = cells_.find(key({middle.x + dx, middle.y + dy}));
        if (found == cells_.end()) continue;
        const double distance = (sites_[found->second].p_chart_mm - p).norm();
        if (distance <= best_distance) {
          best_distance = distance;
          best = &sites_[found->second];
        }
      }
    }
    return best;
  }

  /// Calls visit(site) for all sites within kReach of p, p's own included.
  template <class Visit>
  void around(const Point2d& p, const Visit& visit) const {
    const Cell middle = cell(p);
    for (std::int64_t dy = -3; dy <= 3; ++dy) {
      for (std::int64_t dx = -3; dx <= 3; ++dx) {
        const auto found = cells_.find(key({middle.x + dx, middle.y + dy}));
        if (found == cells_.end()) continue;
        const Site& site = sites_[found->second];
        if ((site.p_chart_mm - p).norm() <= kReach * pitch_) visit(site);
      }
    }
  }

 private:
  struct Cell {
    std::int64_t x, y;
  };
  // Chart positions within 1e9 mm, cells of more than 1e-6 of the chart: far from overflow.
  [[nodiscard]] Cell cell(const Point2d& p) const {
    return {static_cast<std::int64_t>(std::floor(2.0 * p.x() / pitch_)),
            static_cast<std::int64_t>(std::floor(2.0 * p.y() / pitch_))};
  }
  static std::uint64_t key(const Cell& c) {
    return static_cast<std::uint64_t>(c.x) * 0x9e3779b97f4a7c15ULL +
           static_cast<std::uint64_t>(c.y);
  }

  const std::vector<Site>& sites_;
  double pitch_;
  std::unordered_map<std::uint64_t, std::size_t> cells_;
};

/// Sum of squared second differences, and their number.
struct Differences {
  double squares = 0.0;
  std::size_t triples = 0;

  void add(const std::vector<Site>& sites) {
    if (sites.size() < 3) return;
    const double pitch = pitch_of(sites);
    if (!(pitch > 0.0)) return;
    const Lattice lattice(sites, pitch);
    for (const Site& middle : sites) {
      lattice.around(middle.p_chart_mm, [&](const Site& side) {
        const Point2d u = side.p_chart_mm - middle.p_chart_mm;
        // Each line through the middle once.
        if (!(u.x() > 0.0 || (u.x() == 0.0 && u.y() > 0.0))) return;
        const Site* other = lattice.find(middle.p_chart_mm - u, kSlack);
        if (other == nullptr || other == &middle) return;
        squares +=
            (middle.residual_px - 0.5 * (side.residual_px + other->residual_px)).squaredNorm();
        ++triples;
      });
    }
  }

  [[nodiscard]] std::optional<double> noise_px() const {
    if (triples < kFewestTriples) return std::nullopt;
    // Two coordinates, 3/2 each.
    return std::sqrt(squares / (3.0 * static_cast<double>(triples)));
  }
};

}  // namespace

std::optional<double> local_noise_px(const std::vector<target::View>& views,
                                     const std::vector<FrameFit>& frames) {
  Differences differences;
  for (std::size_t f = 0; f < frames.size(); ++f) {
    if (!frames[f].used) continue;
    std::vector<Site> sites;
    for (std::size_t c = 0; c < frames[f].points.size(); ++c) {
      const PointFit& point = frames[f].points[c];
      if (!point.used) continue;
      sites.push_back({views[f].corners[c].p_chart_mm.head<2>(), point.residual_px});
    }
    differences.add(sites);
  }
  return differences.noise_px();
}

std::optional<double> local_noise_px(const ViewPoints& view,
                                     const std::vector<double>& residuals,
                                     const std::vector<char>& used) {
  std::vector<Site> sites;
  for (std::size_t i = 0; i < view.size(); ++i) {
    if (!used[i]) continue;
    sites.push_back({{view.chart_mm[3 * i], view.chart_mm[3 * i + 1]},
                     {residuals[2 * i], residuals[2 * i + 1]}});
  }
  Differences differences;
  differences.add(sites);
  return differences.noise_px();
}

}  // namespace trueplate::fit::detail
