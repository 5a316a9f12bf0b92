#include "calib/base/parallel.h"

#include <algorithm>
#include <atomic>
#include <exception>
#include <mutex>
#include <system_error>
#include <thread>
#include <vector>

namespace trueplate {

int resolve_threads(int threads) {
  if (threads > 0) return threads;
  return std::max(1U, std::thread::hardware_concurrency());
}

void parallel_rows(int rows,
                   int threads,
                   const std::function<void(int begin, int end)>& body,
                   int min_rows_per_call) {
  if (rows <= 0) return;
  const int min_rows = std::max(1, min_rows_per_call);
  const int num_threads = std::clamp(resolve_threads(threads), 1, (rows + min_rows - 1) / min_rows);
  if (num_threads == 1) {
    body(0, rows);
    return;
  }
  // Eight pieces a thread: small enough to even out rows of different cost, large enough to
  // amortise the call.
  const int step = std::max(min_rows, rows / (num_threads * 8));
  std::atomic<int> next{0};
  std::exception_ptr first_exception;
  std::mutex exception_mutex;
  const auto work = [&] {
    try {
      for (int begin = next.fetch_add(step); begin < rows; begin = next.fetch_add(step)) {
        body(begin, std::min(rows, begin + step));
      }
    } catch (...) {
      const std::lock_guard lock(exception_mutex);
      if (!first_exception) first_exception = std::current_exception();
      next.store(rows);
    }
  };
  std::vector<std::thread> helpers;
  helpers.reserve(static_cast<std::size_t>(num_threads) - 1);
  try {
    for (int i = 1; i < num_threads; ++i) helpers.emplace_back(work);
  } catch (const std::system_error&) {
    // The system gives no more threads; those there are do the work.
  }
  work();
  for (std::thread& helper : helpers) helper.join();
  if (first_exception) std::rethrow_exception(first_exception);
}

}  // namespace trueplate
