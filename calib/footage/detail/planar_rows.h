#pragma once

#include <OpenEXR/ImfFrameBuffer.h>

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/footage/detail/sample_rows.h"
#include "calib/footage/frame.h"

namespace trueplate::footage::detail {

/// Some rows of an EXR picture as the library reads and writes them fastest: each channel by itself
/// and in the sample type of the file. The pixels between them and a picture are converted here, a
/// vector at a time, which the library does sample by sample.
class PlanarRows {
 public:
  /// For `height` rows of `width` pixels or as many of them as are held at a time, see capacity().
  /// A channel's format is kHalf, kFloat or kUint32. `threads`: those of the library, 0 = all
  /// cores.
  PlanarRows(std::span<const Channel> channels, int width, int height, int threads);

  /// Rows held at a time: two blocks of zip or one of piz for each thread, so that they stay in the
  /// processor's cache, but at most 256, the largest block there is (dwab); or all there are.
  [[nodiscard]] int capacity() const { return capacity_; }

  /// Where the library finds the rows of `window`, which has at most capacity() of them.
  [[nodiscard]] Imf::FrameBuffer frame_buffer(const Window& window);

  /// The rows held to the pixels of a picture: as many as `pixels` has.
  void merge_into(ImageView<float> pixels, int threads) const;
  /// The way back. Returns how many samples were clipped, see split_planes().
  std::int64_t split_from(ImageView<const float> pixels, int threads);

 private:
  struct Plane {
    Channel channel;
    Image<std::byte> samples;
  };
  [[nodiscard]] std::vector<PlaneRow> planes_of_row(int row) const;

  int width_;
  int capacity_;
  mutable std::vector<Plane> planes_;  // what a PlaneRow points to is not const
};

}  // namespace trueplate::footage::detail
