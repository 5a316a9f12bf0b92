#pragma once

namespace trueplate {

/// While one exists, large blocks of calib/base/pixel_memory.h that are freed are kept for the next
/// picture of their size: the system clears every page it hands out, which for each frame of a
/// sequence costs as much as warping it. What is kept and what is in use are together never more
/// than what has been in use at one time. The last one to go gives back what is kept. Safe from any
/// thread.
class PixelMemoryReuse {
 public:
  PixelMemoryReuse() noexcept;
  ~PixelMemoryReuse();
  PixelMemoryReuse(const PixelMemoryReuse&) = delete;
  PixelMemoryReuse& operator=(const PixelMemoryReuse&) = delete;
};

}  // namespace trueplate
