#pragma once

#include <functional>

namespace trueplate {

/// The number of threads `threads` stands for: itself when positive, all cores when 0.
[[nodiscard]] int resolve_threads(int threads);

/// Calls body(begin, end) for disjoint ranges that cover 0 .. rows, from up to `threads` threads
/// (0 = all cores), and returns when all are done. Ranges hold at least `min_rows_per_call` rows
/// except the last. Which thread gets which range is not defined, so a body writes only to its own
/// rows; then every thread count gives the same bits. The first exception a body throws is
/// rethrown here after all threads have stopped.
void parallel_rows(int rows,
                   int threads,
                   const std::function<void(int begin, int end)>& body,
                   int min_rows_per_call = 1);

}  // namespace trueplate
