#include "warp/map_origin.h"

#include <algorithm>

namespace trueplate::warp {

std::optional<SteadyChange> steady_change(const Image<float>& st, StChannel channel, Along along) {
  const int right = along == Along::kRow ? 1 : 0;
  const int down = 1 - right;
  std::size_t num_up = 0;
  std::size_t num_down = 0;
  for (int y = 0; y + down < st.height(); ++y) {
    const float* here = st.row(y);
    const float* next = st.row(y + down) + 2 * right;
    const std::ptrdiff_t end = std::ptrdiff_t{2} * (st.width() - right);
    for (std::ptrdiff_t i = channel == StChannel::kS ? 0 : 1; i < end; i += 2) {
      num_up += next[i] > here[i] ? 1 : 0;  // false beside NaN
      num_down += next[i] < here[i] ? 1 : 0;
    }
  }
  const std::size_t num = num_up + num_down;
  if (num == 0) return std::nullopt;
  const double share = static_cast<double>(std::max(num_up, num_down)) / static_cast<double>(num);
  if (!(share > kToldShare)) return std::nullopt;
  return SteadyChange{num_up > num_down, share};
}

std::optional<ToldOrigin> told_origin(const Image<float>& st) {
  const std::optional<SteadyChange> t = steady_change(st, StChannel::kT, Along::kColumn);
  if (!t) return std::nullopt;
  return ToldOrigin{t->grows ? TOrigin::kTopLeft : TOrigin::kBottomLeft, t->share};
}

}  // namespace trueplate::warp
