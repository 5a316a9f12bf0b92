#pragma once

#include <filesystem>

#include "calib/base/result.h"

namespace trueplate::footage::detail {

/// Walks the chunks of a PNG file (ISO/IEC 15948, clauses 5.3 and 5.5): every length, every CRC,
/// IHDR first and IEND at the end. The library that decodes reports damage on standard error before
/// it returns, and does not look beyond the last row; so damage is found here first.
Result<void> check_png_chunks(const std::filesystem::path& path);

}  // namespace trueplate::footage::detail
