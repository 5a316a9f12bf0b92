#pragma once

#include <OpenEXR/ImfHeader.h>

#include <cstdint>
#include <filesystem>
#include <span>
#include <string>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "warp/io/frame_in_rows.h"

namespace trueplate::warp::detail {

/// What one part of an EXR file is to hold.
struct ExrPicture {
  /// Of the attributes everything is taken over that does not describe pixels, and the compression.
  Imf::Header header;
  std::string name = {};  // of the part; for a file of several
  RowMaker rows;          // of the data window
  FrameWindows windows;
  double pixel_aspect = 1.0;
  std::span<const footage::Channel> channels;  // kHalf, kFloat and kUint32 only, names not repeated
  std::string record = {};  // for the attribute footage::detail::kRecordName; empty: none
};

struct ExrWritten {
  /// Finite samples beyond the largest half (65504) that became that, since infinity would spread
  /// in every later filter.
  std::int64_t num_clipped = 0;
  /// Of the content of a file with a record, where it was written from front to back; else empty.
  std::string digest = {};
};

/// Hands out rows of pixels that are there; they have to outlive it.
RowMaker rows_of(ImageView<const float> pixels);

/// Writes a scanline file to `temporary_path`, of several parts when there is more than one. Errors
/// name `shown_path`: those of the rows' makers; kUnwritable; kInvalidInput: what OpenEXR refuses.
Result<ExrWritten> write_exr(const std::filesystem::path& temporary_path,
                             const std::filesystem::path& shown_path,
                             std::span<const ExrPicture> parts,
                             int threads);

}  // namespace trueplate::warp::detail
