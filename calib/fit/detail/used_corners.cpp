#include "calib/fit/detail/used_corners.h"

#include <cstddef>
#include <utility>

namespace trueplate::fit::detail {

std::vector<target::View> used_corners(const std::vector<target::View>& views, const LensFit& fit) {
  std::vector<target::View> result;
  for (std::size_t i = 0; i < views.size(); ++i) {
    if (!fit.frames[i].used) continue;
    target::View view{views[i].frame, views[i].plate_size, {}};
    for (std::size_t c = 0; c < views[i].corners.size(); ++c) {
      if (fit.frames[i].points[c].used) view.corners.push_back(views[i].corners[c]);
    }
    result.push_back(std::move(view));
  }
  return result;
}

}  // namespace trueplate::fit::detail
