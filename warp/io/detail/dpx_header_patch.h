#pragma once

#include <filesystem>

#include "warp/io/detail/checked_file.h"

// What OpenImageIO writes into the header of a DPX and should not; SMPTE 268M says where it stands.
namespace trueplate::warp::detail {

/// The library stores the aspect as whole numbers over 1, so 0.5 would become nothing. SMPTE 268M
/// has two 32-bit numbers at byte 1628, horizontal : vertical.
void patch_dpx_aspect(CheckedFile& file, double pixel_aspect);

/// The library notes the temporary name, and the present moment where the picture has no date; a
/// frame that is made again has to be the same, bit for bit. SMPTE 268M has the file's name in the
/// 100 bytes from 36 on, then 24 bytes of date, undefined when zero.
void patch_dpx_origin(CheckedFile& file, const std::filesystem::path& shown_path, bool has_date);

}  // namespace trueplate::warp::detail
