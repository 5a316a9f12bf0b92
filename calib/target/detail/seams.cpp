#include "calib/target/detail/seams.h"

#include <algorithm>
#include <cstddef>
#include <optional>
#include <utility>

namespace trueplate::target::detail {
namespace {

constexpr std::size_t kMinTellers = 3;

enum class Axis { kColumns, kRows };

/// Between the columns or rows `before` and `before` + 1.
struct Seam {
  Axis axis = Axis::kColumns;
  int before = 0;
  double jump = 0.0;  // in units of the limit: a seam beyond 1
};

Place place_at(Axis axis, int along, int across) {
  return axis == Axis::kColumns ? Place(along, across) : Place(across, along);
}

const Point2d* find(const Lattice& lattice, Axis axis, int along, int across) {
  const Node* node = lattice.find(place_at(axis, along, across));
  return node == nullptr ? nullptr : &node->p_px;
}

double median(std::vector<double>& values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

/// How far the steps from `before` to the next depart from what the steps around them say.
std::optional<double> jump_at(const Lattice& lattice, Axis axis, int before, int low, int high) {
  std::vector<double> between, at_end;
  for (int across = low; across <= high; ++across) {
    const Point2d* a = find(lattice, axis, before, across);
    const Point2d* b = find(lattice, axis, before + 1, across);
    if (a == nullptr || b == nullptr) continue;
    const Point2d step = *b - *a;
    const Point2d* previous = find(lattice, axis, before - 1, across);
    const Point2d* next = find(lattice, axis, before + 2, across);
    if (previous != nullptr && next != nullptr) {
      const Point2d around = 0.5 * ((*a - *previous) + (*next - *b));
      between.push_back((step - around).norm() / around.norm());
      continue;
    }
    // Beside the last one, from two steps on the other side.
    const bool forward = previous != nullptr;
    const Point2d* near = forward ? previous : next;
    const Point2d* far = find(lattice, axis, forward ? before - 2 : before + 3, across);
    if (near == nullptr || far == nullptr) continue;
    const Point2d first = forward ? *a - *near : *near - *b;
    const Point2d second = forward ? *near - *far : *far - *near;
    const Point2d expected = 2.0 * first - second;
    at_end.push_back((step - expected).norm() / first.norm());
  }
  std::optional<double> jump;
  if (between.size() >= kMinTellers) jump = median(between) / kMostStepJump;
  if (at_end.size() >= kMinTellers && at_end.size() > between.size())
    jump = std::max(jump.value_or(0.0), median(at_end) / kMostEndStepJump);
  return jump;
}

std::optional<Seam> worst_seam(const Lattice& lattice) {
  const auto [low, high] = lattice.bounds();
  std::optional<Seam> worst;
  const auto look = [&](Axis axis, int first, int last, int across_low, int across_high) {
    for (int before = first; before < last; ++before) {
      const auto jump = jump_at(lattice, axis, before, across_low, across_high);
      if (jump && *jump > 1.0 && (!worst || *jump > worst->jump)) worst = {axis, before, *jump};
    }
  };
  look(Axis::kColumns, low.first, high.first, low.second, high.second);
  look(Axis::kRows, low.second, high.second, low.first, high.first);
  return worst;
}

std::pair<Lattice, Lattice> split(const Lattice& lattice, const Seam& seam) {
  std::pair<Lattice, Lattice> sides;
  for (const auto& [place, node] : lattice.nodes()) {
    const int along = seam.axis == Axis::kColumns ? place.first : place.second;
    (along <= seam.before ? sides.first : sides.second).set(place, node);
  }
  return sides;
}

}  // namespace

EvenParts cut_at_seams(const Lattice& lattice) {
  EvenParts parts{lattice, {}};
  // Each cut takes nodes away, so this ends.
  while (const std::optional<Seam> seam = worst_seam(parts.largest)) {
    auto [first, second] = split(parts.largest, *seam);
    if (first.size() < second.size()) std::swap(first, second);
    parts.largest = std::move(first);
    parts.others.push_back(std::move(second));
  }
  return parts;
}

}  // namespace trueplate::target::detail
