#pragma once

#include <cstdint>
#include <filesystem>

#include "calib/base/image.h"
#include "calib/base/result.h"

namespace trueplate::footage::detail {

/// Where the first picture element of a DPX file (SMPTE 268M) keeps its samples.
struct DpxLayout {
  bool big_endian = false;
  int descriptor = 0;  // 50: R, G, B; 51: with A; 6: luma; 100 .. 103: Cb, Y, Cr
  int bits = 0;        // of one sample
  int packing = 0;     // 0: packed into words; 1, 2: filled to words, by method A or B
  bool is_run_length_encoded = false;
  std::int64_t begin = 0;        // byte of the first sample
  std::int64_t row_padding = 0;  // bytes after each row
};

/// Refuses what is too short for a header, run-length encoding and Cb, Y, Cr pictures.
Result<DpxLayout> read_dpx_layout(const std::filesystem::path& path);

/// kUnreadable when the file ends before its pixels do, which OpenImageIO does not notice.
Result<void> check_dpx_length(const std::filesystem::path& path,
                              const DpxLayout& layout,
                              ImageSize size,
                              int num_channels);

/// Puts right the last sample of each row of a 10-bit picture with four channels whose row ends in
/// a word of one sample (every width of 3 n + 1): OpenImageIO 2.4 returns another sample there.
/// Does nothing to other files. False when the file cannot be read.
bool repair_dpx_row_ends(const std::filesystem::path& path,
                         const DpxLayout& layout,
                         ImageView<float> pixels);

}  // namespace trueplate::footage::detail
