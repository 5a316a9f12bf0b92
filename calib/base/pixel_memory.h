#pragma once

#include <cstddef>

namespace trueplate {

/// Memory for `bytes` bytes of pixels, not cleared, aligned for any scalar. Blocks of several
/// megabytes ask the system for huge pages: touching a fresh 141 MB picture (4096x2160 RGBA float)
/// page by page can cost more than decoding it. Throws std::bad_alloc.
[[nodiscard]] void* allocate_pixel_memory(std::size_t bytes);

/// Gives back what allocate_pixel_memory() returned; null does nothing.
void free_pixel_memory(void* memory) noexcept;

/// For std::unique_ptr.
struct PixelMemoryDeleter {
  void operator()(void* memory) const noexcept { free_pixel_memory(memory); }
};

}  // namespace trueplate
