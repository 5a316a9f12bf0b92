#pragma once

#include <vector>

#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// From so many corners a view has more than are needed to see what it determines.
inline constexpr std::size_t kManyCorners = 10'000;

/// The views with 1,000 corners, spread over all, in place of kManyCorners or more; empty when no
/// view has so many.
[[nodiscard]] inline std::vector<target::View> fewer_corners(
    const std::vector<target::View>& views) {
  constexpr std::size_t kEnough = 1'000;
  constexpr std::size_t kScatter = 7919;  // a prime: whole columns of a grid must not be taken
  std::vector<target::View> fewer = views;
  bool any = false;
  for (target::View& view : fewer) {
    if (view.corners.size() < kManyCorners) continue;
    any = true;
    const std::size_t step = view.corners.size() / kEnough;
    for (std::size_t i = 0; i < kEnough; ++i) {
      view.corners[i] = view.corners[i * step + i * kScatter % step];
    }
    view.corners.resize(kEnough);
  }
  if (!any) fewer.clear();
  return fewer;
}

}  // namespace trueplate::fit::detail
