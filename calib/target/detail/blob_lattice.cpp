#include "calib/target/detail/blob_lattice.h"

#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <utility>

#include "calib/base/decompositions.h"
#include "calib/target/detail/grow.h"

namespace trueplate::target::detail {
namespace {

constexpr std::size_t kNearest = 28;     // blobs looked at around one
constexpr double kMostSizeRatio = 2.2;   // of areas of neighbours
constexpr double kMaxLengthRatio = 1.3;  // of the two steps, seen from the blob
constexpr double kMaxOffRight = 0.45;    // cosine of the angle between them
constexpr double kMaxOffPlace = 0.25;    // share of a step
constexpr int kMinOfEight = 7;
constexpr int kMostSeeds = 400;

/// Blobs by place.
class Buckets {
 public:
  explicit Buckets(const std::vector<Blob>& blobs) : blobs_(blobs) {
    double area = 0.0;
    for (const Blob& blob : blobs) {
      width_ = std::max(width_, blob.p_px.x());
      height_ = std::max(height_, blob.p_px.y());
      area += blob.area_px2;
    }
    // A few blobs a cell.
    size_ = std::max(
        8.0, 2.0 * std::sqrt(area / static_cast<double>(std::max<std::size_t>(1, blobs.size()))));
    columns_ = static_cast<int>(width_ / size_) + 1;
    rows_ = static_cast<int>(height_ / size_) + 1;
    cells_.resize(static_cast<std::size_t>(columns_) * static_cast<std::size_t>(rows_));
    for (std::size_t i = 0; i < blobs.size(); ++i)
      cells_[index(cell(blobs[i].p_px.x()), cell(blobs[i].p_px.y()))].push_back(
          static_cast<int>(i));
  }

  /// The nearest blob within `radius`; -1: none.
  [[nodiscard]] int nearest(const Point2d& p, double radius) const {
    int best = -1;
    double best2 = radius * radius;
    for_cells(p, radius, [&](int i) {
      const double d2 = (blobs_[static_cast<std::size_t>(i)].p_px - p).squaredNorm();
      if (d2 < best2) {
        best2 = d2;
        best = i;
      }
    });
    return best;
  }

  /// The kNearest blobs of a size like that of `own`, without it.
  [[nodiscard]] std::vector<int> around(int own) const {
    const Blob& blob = blobs_[static_cast<std::size_t>(own)];
    const double limit = std::hypot(width_, height_) + size_;
    std::vector<int> found;
    // Wide enough for all of the nearest, or for the whole image.
    for (double radius = 2.0 * size_;; radius *= 1.6) {
      found.clear();
      for_cells(blob.p_px, radius, [&](int i) {
        const Blob& other = blobs_[static_cast<std::size_t>(i)];
        const double ratio = other.area_px2 / blob.area_px2;
        if (i == own || ratio > kMostSizeRatio || ratio < 1.0 / kMostSizeRatio) return;
        if ((other.p_px - blob.p_px).squaredNorm() <= radius * radius) found.push_back(i);
      });
      if (found.size() >= kNearest || radius > limit) break;
    }
    std::sort(found.begin(), found.end(), [&](int a, int b) {
      return (blobs_[static_cast<std::size_t>(a)].p_px - blob.p_px).squaredNorm() <
             (blobs_[static_cast<std::size_t>(b)].p_px - blob.p_px).squaredNorm();
    });
    if (found.size() > kNearest) found.resize(kNearest);
    return found;
  }

 private:
  [[nodiscard]] int cell(double coordinate) const {
    return static_cast<int>(std::clamp(coordinate / size_, 0.0, 65536.0));
  }
  [[nodiscard]] std::size_t index(int x, int y) const {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(columns_) +
           static_cast<std::size_t>(x);
  }
  template <class Visit>
  void for_cells(const Point2d& p, double radius, const Visit& visit) const {
    const int x1 = std::min(columns_ - 1, cell(p.x() + radius));
    const int y1 = std::min(rows_ - 1, cell(p.y() + radius));
    for (int y = cell(p.y() - radius); y <= y1; ++y)
      for (int x = cell(p.x() - radius); x <= x1; ++x)
        for (const int i : cells_[index(x, y)]) visit(i);
  }

  const std::vector<Blob>& blobs_;
  double width_ = 0.0;
  double height_ = 0.0;
  double size_ = 8.0;
  int columns_ = 1;
  int rows_ = 1;
  std::vector<std::vector<int>> cells_;
};

Node node_of(const Blob& blob) {
  Node node;
  node.p_px = blob.p_px;
  node.contrast = 1.0;
  node.width_px = std::sqrt(4.0 / std::numbers::pi * blob.area_px2);
  return node;
}

/// The nine blobs around blob `own` as places -1..1, at least kMinOfEight beside itself; nullopt
/// when they do not stand so.
std::optional<Lattice> seed_at(const std::vector<Blob>& blobs, const Buckets& buckets, int own) {
  const Blob& blob = blobs[static_cast<std::size_t>(own)];
  const auto solver = symmetric_eigen<2>(blob.scatter_px2);
  if (!(solver.eigenvalues()[0] > 0.0)) return std::nullopt;
  const Eigen::Matrix2d round = solver.operatorInverseSqrt();
  struct Step {
    int index;
    Point2d px;
    Point2d seen;
    double length;
  };
  std::vector<Step> steps;
  for (const int i : buckets.around(own)) {
    const Point2d px = blobs[static_cast<std::size_t>(i)].p_px - blob.p_px;
    const Point2d seen = round * px;
    steps.push_back({i, px, seen, seen.norm()});
  }
  std::stable_sort(
      steps.begin(), steps.end(), [](const Step& a, const Step& b) { return a.length < b.length; });
  constexpr std::size_t kFirst = 6;
  for (std::size_t a = 0; a < std::min(kFirst, steps.size()); ++a) {
    for (std::size_t b = 0; b < steps.size(); ++b) {
      const Step& u = steps[a];
      const Step& v = steps[b];
      if (v.length > kMaxLengthRatio * u.length) break;
      if (b == a || u.length > kMaxLengthRatio * v.length) continue;
      const double cross = u.seen.x() * v.seen.y() - u.seen.y() * v.seen.x();
      if (!(cross > 0.0)) continue;
      if (std::abs(u.seen.dot(v.seen)) > kMaxOffRight * u.length * v.length) continue;
      const double radius = kMaxOffPlace * std::min(u.px.norm(), v.px.norm());
      Lattice lattice;
      lattice.set({0, 0}, node_of(blob));
      for (int row = -1; row <= 1; ++row) {
        for (int column = -1; column <= 1; ++column) {
          if (row == 0 && column == 0) continue;
          const int i = buckets.nearest(blob.p_px + column * u.px + row * v.px, radius);
          if (i >= 0 && i != own)
            lattice.set({column, row}, node_of(blobs[static_cast<std::size_t>(i)]));
        }
      }
      if (lattice.size() - 1 >= kMinOfEight) return lattice;
    }
  }
  return std::nullopt;
}

}  // namespace

std::vector<Lattice> blob_lattices(const std::vector<Blob>& blobs) {
  std::vector<Lattice> lattices;
  if (static_cast<int>(blobs.size()) < kMinPieceBlobs) return lattices;
  const Buckets buckets(blobs);
  std::vector<bool> used(blobs.size(), false);
  const Probe probe =
      [&](Place /*place*/, const Prediction& at, const Looks& looks) -> std::optional<Node> {
    const int i = buckets.nearest(at.p_px, std::max(1.0, kMaxOffPlace * at.square_px()));
    if (i < 0) return std::nullopt;
    const Node node = node_of(blobs[static_cast<std::size_t>(i)]);
    const double ratio = node.width_px / looks.width_px;
    if (ratio * ratio > kMostSizeRatio || ratio * ratio < 1.0 / kMostSizeRatio) return std::nullopt;
    return node;
  };
  int num_seeds = 0;
  for (std::size_t i = 0; i < blobs.size() && num_seeds < kMostSeeds; ++i) {
    if (used[i]) continue;
    auto lattice = seed_at(blobs, buckets, static_cast<int>(i));
    if (!lattice) continue;
    ++num_seeds;
    grow(*lattice, probe, {.max_off_place = kMaxOffPlace});
    for (const auto& [place, node] : lattice->nodes())
      if (const int k = buckets.nearest(node.p_px, 1e-3); k >= 0)
        used[static_cast<std::size_t>(k)] = true;
    if (lattice->size() >= kMinPieceBlobs) lattices.push_back(std::move(*lattice));
  }
  std::stable_sort(lattices.begin(), lattices.end(), [](const Lattice& a, const Lattice& b) {
    return a.size() > b.size();
  });
  return lattices;
}

Lattice between_nodes(const Lattice& lattice) {
  Lattice result;
  for (const auto& [place, first] : lattice.nodes()) {
    const auto [column, row] = place;
    const std::array<const Node*, 3> others = {lattice.find({column - 1, row}),
                                               lattice.find({column, row - 1}),
                                               lattice.find({column - 1, row - 1})};
    Node node;
    node.p_px = first.p_px;
    bool complete = true;
    for (const Node* other : others) {
      if (other == nullptr) {
        complete = false;
        break;
      }
      node.p_px += other->p_px;
    }
    if (!complete) continue;
    node.p_px *= 0.25;
    result.set(place, node);
  }
  return result;
}

}  // namespace trueplate::target::detail
