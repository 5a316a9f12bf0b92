#include "calib/base/image.h"

#include <doctest/doctest.h>

#include <cstddef>
#include <cstdint>
#include <limits>
#include <new>
#include <utility>

#include "calib/base/pixel_memory_reuse.h"

using namespace trueplate;

TEST_CASE("an image owns its pixels, in one block of rows without gaps") {
  Image<float> image(3, 2, 4);
  CHECK(image.size() == 24);
  image.fill(0.5F);
  image.at(2, 1, 3) = 7.0F;
  CHECK(image.data()[23] == 7.0F);
  CHECK(image.row(1) == image.data() + 12);
  CHECK(image.data()[24] == 0.0F);  // the padding may be read
  const Image<float> copy = image.clone();
  CHECK(copy.at(2, 1, 3) == 7.0F);
  CHECK(copy.data() != image.data());
  const float* before = image.data();
  const Image<float> moved = std::move(image);
  CHECK(moved.data() == before);
  CHECK(Image<float>().empty());
  CHECK(Image<float>(0, 5, 3).empty());
}

TEST_CASE("pixel memory: nothing, little, and blocks that ask for huge pages") {
  free_pixel_memory(nullptr);
  for (const std::size_t bytes : {std::size_t{0},
                                  std::size_t{1},
                                  std::size_t{1000},
                                  (std::size_t{16} << 20) - 1,
                                  std::size_t{16} << 20,
                                  (std::size_t{16} << 20) + 1}) {
    CAPTURE(bytes);
    auto* memory = static_cast<unsigned char*>(allocate_pixel_memory(bytes));
    REQUIRE(memory != nullptr);
    CHECK(reinterpret_cast<std::uintptr_t>(memory) % alignof(std::max_align_t) == 0);
    if (bytes > 0) {
      memory[0] = 1;
      memory[bytes - 1] = 2;
      CHECK(memory[bytes - 1] == 2);
    }
    free_pixel_memory(memory);
  }
  CHECK_THROWS_AS(static_cast<void>(allocate_pixel_memory(std::numeric_limits<std::size_t>::max())),
                  std::bad_alloc);
  CHECK_THROWS_AS(
      static_cast<void>(allocate_pixel_memory(std::numeric_limits<std::size_t>::max() / 2)),
      std::bad_alloc);
}

TEST_CASE("while reuse lasts a freed block comes back as it is, and only for its size") {
  constexpr std::size_t kBytes = std::size_t{32} << 20;
  constexpr unsigned char kMark = 77;
  const auto take = [](std::size_t bytes) {
    return static_cast<unsigned char*>(allocate_pixel_memory(bytes));
  };
  const PixelMemoryReuse outer;
  unsigned char* first = take(kBytes);
  {
    const PixelMemoryReuse inner;
    first[kBytes / 2] = kMark;
    free_pixel_memory(first);
  }
  // A fresh block would have been cleared by the system.
  unsigned char* again = take(kBytes);
  CHECK(again == first);
  CHECK(again[kBytes / 2] == kMark);
  unsigned char* second = take(kBytes);
  CHECK(second != again);
  free_pixel_memory(again);
  unsigned char* larger = take(2 * kBytes);  // there is room for one block less: `again` goes
  larger[2 * kBytes - 1] = kMark;
  free_pixel_memory(second);
  free_pixel_memory(larger);
}
