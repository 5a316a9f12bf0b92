#pragma once

#include <filesystem>
#include <optional>
#include <vector>

#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/footage/frame.h"
#include "warp/io/detail/compression.h"

namespace trueplate::warp::detail {

/// Writes DPX, TIFF, PNG or JPEG to `temporary_path` and returns the warnings of write_frame().
/// Errors name `shown_path`.
Result<std::vector<Warning>> write_other(const std::filesystem::path& temporary_path,
                                         const std::filesystem::path& shown_path,
                                         FileKind kind,
                                         const std::optional<Compression>& compression,
                                         const footage::Frame& frame,
                                         int threads);

}  // namespace trueplate::warp::detail
