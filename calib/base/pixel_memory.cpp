#include "calib/base/pixel_memory.h"

#include <sys/mman.h>

#include <cstdlib>
#include <limits>
#include <new>

namespace trueplate {
namespace {

constexpr std::size_t kHugePage = std::size_t{2} << 20;
/// From here on the rounding up to whole huge pages does not matter.
constexpr std::size_t kLarge = std::size_t{16} << 20;

}  // namespace

void* allocate_pixel_memory(std::size_t bytes) {
  if (bytes < kLarge) {
    void* memory = std::malloc(bytes > 0 ? bytes : 1);
    if (memory == nullptr) throw std::bad_alloc();
    return memory;
  }
  if (bytes > std::numeric_limits<std::size_t>::max() - kHugePage) throw std::bad_alloc();
  const std::size_t rounded = (bytes + kHugePage - 1) / kHugePage * kHugePage;
  void* memory = std::aligned_alloc(kHugePage, rounded);
  if (memory == nullptr) throw std::bad_alloc();
#ifdef MADV_HUGEPAGE
  // A wish: where the system does not grant it, the pages are small ones.
  static_cast<void>(::madvise(memory, rounded, MADV_HUGEPAGE));
#endif
  return memory;
}

void free_pixel_memory(void* memory) noexcept { std::free(memory); }

}  // namespace trueplate
