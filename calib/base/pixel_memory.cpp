#include "calib/base/pixel_memory.h"

#include <sys/mman.h>

#include <algorithm>
#include <cstdlib>
#include <limits>
#include <map>
#include <mutex>
#include <new>
#include <unordered_map>

#include "calib/base/pixel_memory_reuse.h"

namespace trueplate {
namespace {

constexpr std::size_t kHugePage = std::size_t{2} << 20;
/// From here on the rounding up to whole huge pages does not matter.
constexpr std::size_t kLarge = std::size_t{16} << 20;

void* allocate_large(std::size_t bytes) {
  void* memory = std::aligned_alloc(kHugePage, bytes);
  if (memory == nullptr) throw std::bad_alloc();
#ifdef MADV_HUGEPAGE
  // A wish: where the system does not grant it, the pages are small ones.
  static_cast<void>(::madvise(memory, bytes, MADV_HUGEPAGE));
#endif
  return memory;
}

/// The large blocks of the process, and those kept by PixelMemoryReuse.
class LargeBlocks {
 public:
  void* take(std::size_t bytes) {
    const std::lock_guard lock(mutex_);
    void* memory = nullptr;
    if (const auto found = kept_.find(bytes); found != kept_.end()) {
      memory = found->second;
      kept_.erase(found);
      kept_bytes_ -= bytes;
    } else {
      while (!kept_.empty() && in_use_bytes_ + kept_bytes_ + bytes > most_in_use_) release_one();
      memory = allocate_large(bytes);
    }
    try {
      in_use_.emplace(memory, bytes);
    } catch (...) {
      std::free(memory);
      throw;
    }
    in_use_bytes_ += bytes;
    most_in_use_ = std::max(most_in_use_, in_use_bytes_);
    return memory;
  }

  /// Whether `memory` was a large block.
  bool give(void* memory) noexcept {
    const std::lock_guard lock(mutex_);
    const auto found = in_use_.find(memory);
    if (found == in_use_.end()) return false;
    const std::size_t bytes = found->second;
    in_use_.erase(found);
    in_use_bytes_ -= bytes;
    try {
      if (num_reusers_ > 0) {
        kept_.emplace(bytes, memory);
        kept_bytes_ += bytes;
        return true;
      }
    } catch (...) {  // no memory to note it
    }
    std::free(memory);
    return true;
  }

  void begin_reuse() noexcept {
    const std::lock_guard lock(mutex_);
    if (num_reusers_++ == 0) most_in_use_ = in_use_bytes_;
  }
  void end_reuse() noexcept {
    const std::lock_guard lock(mutex_);
    if (--num_reusers_ > 0) return;
    while (!kept_.empty()) release_one();
  }

 private:
  void release_one() noexcept {
    const auto first = kept_.begin();
    kept_bytes_ -= first->first;
    std::free(first->second);
    kept_.erase(first);
  }

  std::mutex mutex_;
  std::unordered_map<void*, std::size_t> in_use_;
  std::multimap<std::size_t, void*> kept_;
  std::size_t in_use_bytes_ = 0;
  std::size_t kept_bytes_ = 0;
  std::size_t most_in_use_ = 0;
  int num_reusers_ = 0;
};

/// Never destroyed: pictures may outlive the end of main().
LargeBlocks& large_blocks() {
  static LargeBlocks& blocks = *new LargeBlocks;
  return blocks;
}

}  // namespace

void* allocate_pixel_memory(std::size_t bytes) {
  if (bytes < kLarge) {
    void* memory = std::malloc(bytes > 0 ? bytes : 1);
    if (memory == nullptr) throw std::bad_alloc();
    return memory;
  }
  if (bytes > std::numeric_limits<std::size_t>::max() - kHugePage) throw std::bad_alloc();
  return large_blocks().take((bytes + kHugePage - 1) / kHugePage * kHugePage);
}

void free_pixel_memory(void* memory) noexcept {
  if (memory == nullptr || large_blocks().give(memory)) return;
  std::free(memory);
}

PixelMemoryReuse::PixelMemoryReuse() noexcept { large_blocks().begin_reuse(); }
PixelMemoryReuse::~PixelMemoryReuse() { large_blocks().end_reuse(); }

}  // namespace trueplate
