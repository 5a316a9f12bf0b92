#pragma once

#include <hwy/targets.h>

#include <cstdint>
#include <string>

namespace trueplate::tests {

/// Runs `body(name)` as if this processor had no better instruction set than each of those it has.
template <class Body>
void on_every_target(const Body& body) {
  const std::int64_t all = hwy::SupportedTargets();
  for (const std::int64_t best : hwy::SupportedAndGeneratedTargets()) {
    hwy::SetSupportedTargetsForTest(all & ~(best - 1));  // lower bits are better sets
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    body(std::string(hwy::TargetName(best)));
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
}

}  // namespace trueplate::tests
