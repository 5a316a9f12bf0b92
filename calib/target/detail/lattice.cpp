#include "calib/target/detail/lattice.h"

#include <algorithm>
#include <cmath>

namespace trueplate::target::detail {
namespace {

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

struct Collector {
  std::vector<double> blur, contrast, width;

  void add(const Node& node) {
    blur.push_back(node.blur_px);
    contrast.push_back(std::abs(node.contrast));
    width.push_back(node.width_px);
  }
  [[nodiscard]] Looks looks() {
    if (blur.empty()) return {};
    return {median(std::move(blur)), median(std::move(contrast)), median(std::move(width))};
  }
};

}  // namespace

double Node::sigma_px() const { return std::sqrt(0.5 * covariance_px2.trace()); }

const Node* Lattice::find(Place place) const {
  const auto found = nodes_.find(place);
  return found == nodes_.end() ? nullptr : &found->second;
}

std::vector<GridPoint> Lattice::points() const {
  std::vector<GridPoint> points;
  points.reserve(nodes_.size());
  for (const auto& [place, node] : nodes_) points.push_back({place.first, place.second, node.p_px});
  return points;
}

std::pair<Place, Place> Lattice::bounds() const {
  if (nodes_.empty()) return {};
  Place low = nodes_.begin()->first;
  Place high = low;
  for (const auto& [place, node] : nodes_) {
    low = {std::min(low.first, place.first), std::min(low.second, place.second)};
    high = {std::max(high.first, place.first), std::max(high.second, place.second)};
  }
  return {low, high};
}

Looks looks_of(const Lattice& lattice) {
  Collector all;
  for (const auto& [place, node] : lattice.nodes()) all.add(node);
  return all.looks();
}

Looks looks_near(const Lattice& lattice, Place place, int reach) {
  Collector near;
  for (int c = -reach; c <= reach; ++c)
    for (int r = -reach; r <= reach; ++r)
      if (const Node* node = lattice.find({place.first + c, place.second + r})) near.add(*node);
  return near.blur.empty() ? looks_of(lattice) : near.looks();
}

}  // namespace trueplate::target::detail
