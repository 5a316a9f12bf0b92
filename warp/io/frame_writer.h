#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/footage/frame.h"
#include "warp/io/frame_in_rows.h"
#include "warp/io/frame_record.h"

namespace trueplate::warp {

struct WriteOptions {
  /// Of the picture file. EXR: none, rle, zips, zip, piz, pxr24, b44, b44a, dwaa, dwab; TIFF: none,
  /// lzw, zip; PNG: zip, zip:1 .. zip:9; JPEG: jpeg:1 .. jpeg:100 (quality); DPX: none. Empty
  /// keeps the frame's own where it came from the same format, else zip for EXR and TIFF, jpeg:98.
  std::string compression = {};
  Overwrite overwrite = Overwrite::kRefuse;
  Flush flush = Flush::kLeaveToSystem;
  /// Written along with the frame, so that it can be told later whether it is complete: see
  /// write_record().
  std::optional<Recipe> recipe = std::nullopt;
  /// Threads for encoding this one frame; 0 = all cores. See footage::set_io_threads().
  int threads = 0;
};

/// Whether write_frame() could be asked to write this at all: the extension is that of a format we
/// write and the compression fits it. For refusing a command line before any work is done.
Result<void> check_writable_format(const std::filesystem::path& path, const WriteOptions& options);

/// Whether files of this extension have a data window beside the display window: EXR. Others hold
/// the display window.
[[nodiscard]] bool keeps_windows(const std::filesystem::path& path);

/// Writes a frame in the format of the extension (exr, dpx, tif, tiff, png, jpg, jpeg), whole or
/// not at all.
///
/// EXR keeps channel names, formats, windows, pixel aspect and header as they are; samples of 8 and
/// 10 bits become half, which gives their codes back, those of 12 and 16 bits float. Several parts
/// become a file of as many parts with their names, windows and headers (view among them). Always
/// scanlines, also from tiles. Other formats have no data window and no parts: the first part is
/// cut or padded with 0 to the display window. TIFF holds half as float. Where a format cannot hold
/// something, the nearest it can hold is written and a warning says so:
///   `sample-format`      channels stored more coarsely than they were (value: how many)
///   `clipped`            samples below 0 or above 1 in an integer format, or finite but beyond
///                        65504 in half (value: how many)
///   `nan`                samples that were NaN, in an integer format (value: how many)
///   `dropped-channels`   channels the format has no place for, those of further parts among them
///                        (value: how many)
///   `cropped`            pixels outside the display window left out (value: how many)
///   `bare-light`         pixels with colour and no alpha, which PNG cannot hold; it gets colour
///                        divided by alpha (value: how many)
///   `alpha-association`  colour that is not multiplied by alpha, in EXR, which takes it as
///                        multiplied; the numbers are unchanged
/// errors  kInvalidInput: a frame that contradicts itself, or a compression that does not fit;
///         kUnsupported: another extension, or a frame with nothing the format could show;
///         kExists; kUnwritable: permissions, full disk. Nothing is left behind.
/// Safe from any thread.
Result<std::vector<Warning>> write_frame(const std::filesystem::path& path,
                                         const footage::Frame& frame,
                                         const WriteOptions& options = {});
/// The same of a frame whose pixels are made on the way: of EXR some rows at a time, of other
/// formats all of the first part before it is written. Errors: also those of its makers.
Result<std::vector<Warning>> write_frame(const std::filesystem::path& path,
                                         FrameInRows frame,
                                         const WriteOptions& options = {});

}  // namespace trueplate::warp
