#pragma once

#include <atomic>

#include "calib/base/result.h"

namespace trueplate {

/// Whether the user asked to stop: long work looks here between its steps, and gives up with
/// interruption() when it is so. Once set, a flag stays set. Null: nobody can ask.
[[nodiscard]] inline bool is_interrupted(const std::atomic<bool>* interrupt) {
  return interrupt != nullptr && interrupt->load(std::memory_order_relaxed);
}

/// What an interrupted call returns.
[[nodiscard]] inline Unexpected interruption() {
  return fail(ErrorCode::kInterrupted, "interrupted");
}

}  // namespace trueplate
