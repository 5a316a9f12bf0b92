#pragma once

#include <OpenEXR/ImfCompression.h>

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "calib/base/result.h"
#include "calib/footage/detail/readers.h"

namespace trueplate::warp::detail {

using footage::detail::FileKind;

/// The format we write for the extension of `path`; kUnsupported for others.
Result<FileKind> output_kind(const std::filesystem::path& path);

/// A compression for one output format.
struct Compression {
  Imf::Compression exr = Imf::ZIP_COMPRESSION;  // EXR
  std::string name;                             // TIFF: none, lzw, zip
  int level = -1;                               // PNG: 1..9; JPEG: quality 1..100; -1: not said
};

/// Reads the text of WriteOptions::compression for a format; nullopt for an empty text.
/// kInvalidInput lists what the format can do.
Result<std::optional<Compression>> parse_compression(const std::filesystem::path& path,
                                                     FileKind kind,
                                                     std::string_view text);

[[nodiscard]] bool is_lossless(Imf::Compression compression);
[[nodiscard]] std::string_view exr_compression_name(Imf::Compression compression);

}  // namespace trueplate::warp::detail
