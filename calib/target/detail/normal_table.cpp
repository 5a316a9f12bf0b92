#include "calib/target/detail/normal_table.h"

#include <numbers>

namespace trueplate::target::detail {

NormalTable::NormalTable() {
  for (int i = 0; i < kCount; ++i) {
    const double t = i / kPerUnit - kTableReach;
    entries_[static_cast<std::size_t>(i)] = {
        0.5 * std::erfc(-t / std::numbers::sqrt2),
        std::exp(-0.5 * t * t) * std::numbers::inv_sqrtpi / std::numbers::sqrt2};
  }
}

const NormalTable kNormal;

}  // namespace trueplate::target::detail
