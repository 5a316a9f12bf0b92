#include "warp/map_origin.h"

#include <algorithm>

namespace trueplate::warp {

std::optional<ToldOrigin> told_origin(const Image<float>& st) {
  std::size_t num_down = 0;
  std::size_t num_up = 0;
  for (int y = 0; y + 1 < st.height(); ++y) {
    const float* here = st.row(y);
    const float* below = st.row(y + 1);
    for (std::ptrdiff_t i = 1; i < std::ptrdiff_t{2} * st.width(); i += 2) {
      num_down += below[i] > here[i] ? 1 : 0;  // false beside NaN
      num_up += below[i] < here[i] ? 1 : 0;
    }
  }
  const std::size_t num = num_down + num_up;
  if (num == 0) return std::nullopt;
  const double share = static_cast<double>(std::max(num_down, num_up)) / static_cast<double>(num);
  if (!(share > kToldShare)) return std::nullopt;
  return ToldOrigin{num_down > num_up ? TOrigin::kTopLeft : TOrigin::kBottomLeft, share};
}

}  // namespace trueplate::warp
