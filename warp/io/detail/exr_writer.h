#pragma once

#include <OpenEXR/ImfHeader.h>

#include <cstdint>
#include <filesystem>
#include <span>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/footage/frame.h"

namespace trueplate::warp::detail {

/// What one EXR file is to hold besides its attributes.
struct ExrPicture {
  ImageView<const float> pixels;  // the data window
  FrameWindows windows;
  double pixel_aspect = 1.0;
  std::span<const footage::Channel> channels;  // kHalf and kFloat only, names without repetition
};

/// Writes a scanline file to `temporary_path`. Of `header` everything is taken over that does not
/// describe pixels, and the compression. Errors name `shown_path`. Returns how many finite samples
/// were beyond the largest half (65504) and became that, since infinity would spread in every later
/// filter.
Result<std::int64_t> write_exr(const std::filesystem::path& temporary_path,
                               const std::filesystem::path& shown_path,
                               Imf::Header header,
                               const ExrPicture& picture,
                               int threads);

}  // namespace trueplate::warp::detail
