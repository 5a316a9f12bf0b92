#pragma once

#include <algorithm>
#include <string_view>
#include <vector>

#include "calib/base/warning.h"

namespace trueplate::tests {

/// The first warning with a code; null when there is none.
inline const Warning* find_warning(const std::vector<Warning>& warnings, std::string_view code) {
  const auto found = std::find_if(
      warnings.begin(), warnings.end(), [&](const Warning& w) { return w.code == code; });
  return found == warnings.end() ? nullptr : &*found;
}

inline bool has_warning(const std::vector<Warning>& warnings, std::string_view code) {
  return find_warning(warnings, code) != nullptr;
}

}  // namespace trueplate::tests
