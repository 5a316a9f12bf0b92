#include "calib/target/detail/normal_table.h"

#include <cmath>
#include <cstddef>
#include <numbers>

namespace trueplate::target::detail {
namespace {

class NormalTable {
 public:
  NormalTable() {
    for (int i = 0; i < kCount; ++i) {
      const double t = i / kPerUnit - kReach;
      entries_[static_cast<std::size_t>(i)] = {
          0.5 * std::erfc(-t / std::numbers::sqrt2),
          std::exp(-0.5 * t * t) * std::numbers::inv_sqrtpi / std::numbers::sqrt2};
    }
  }

  [[nodiscard]] NormalAt at(double t) const {
    if (!(std::abs(t) < kNormalReach)) return {t > 0.0 ? 1.0 : 0.0, 0.0};
    const double place = (t + kReach) * kPerUnit;
    const auto i = static_cast<std::size_t>(place);
    const double x = place - static_cast<double>(i);
    const NormalAt& a = entries_[i];
    const NormalAt& b = entries_[i + 1];
    const double t_a = t - x * kStep;
    const double t_b = t_a + kStep;
    // Values a, b and derivatives da, db at both ends.
    const auto cubic = [x](double va, double vb, double da, double db) {
      const double rise = vb - va;
      const double first = kStep * da;
      const double last = kStep * db;
      return va +
             x * (first + x * (3.0 * rise - 2.0 * first - last + x * (first + last - 2.0 * rise)));
    };
    return {cubic(a.below, b.below, a.density, b.density),
            cubic(a.density, b.density, -t_a * a.density, -t_b * b.density)};
  }

 private:
  static constexpr double kPerUnit = 64.0;
  static constexpr double kStep = 1.0 / kPerUnit;
  static constexpr double kReach = 5.0;
  static constexpr int kCount = 641;
  std::array<NormalAt, kCount> entries_{};
};

const NormalTable kTable;

}  // namespace

NormalAt normal_at(double t) { return kTable.at(t); }

}  // namespace trueplate::target::detail
