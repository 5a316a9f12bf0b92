#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "calib/footage/content_digest.h"
#include "calib/footage/frame.h"

namespace trueplate::footage::detail {

enum class FileKind { kExr, kDpx, kTiff, kPng, kJpeg };

/// `EXR`, `DPX` ..., for messages.
[[nodiscard]] std::string_view kind_name(FileKind kind);

/// What the first bytes of a file say it is.
[[nodiscard]] std::optional<FileKind> kind_of_content(std::string_view first_bytes);

enum class Extent { kHeader, kWhole };

/// The two ways in: EXR through OpenEXR itself, the rest through OpenImageIO, in a library of its
/// own (trueplate_footage_pictures): a program may load that one when the first such file is met.
/// `digest`: gets the bytes of the file, if the whole is read; null: none.
Result<Frame> read_exr(const std::filesystem::path& path,
                       const ReadOptions& options,
                       Extent extent,
                       ContentDigest* digest);
Result<Frame> read_other(const std::filesystem::path& path,
                         FileKind kind,
                         const ReadOptions& options,
                         Extent extent);

/// Threads of OpenImageIO's own pool, at least 1; in the same library.
void set_picture_threads(int threads);

/// Refuses sizes outside 1 .. kMaxImageSide and pixels above the memory limit.
Result<void> check_size(const std::filesystem::path& path,
                        long long width,
                        long long height,
                        long long channels,
                        std::size_t max_bytes);

/// What a library says went wrong with a file, without the sentences around the file's name: the
/// caller names it.
[[nodiscard]] std::string_view reason_in(std::string_view message, std::string_view name);

/// The kUnreadable error for a message of a library, folded to one line.
[[nodiscard]] Unexpected damaged(const std::filesystem::path& path, std::string_view reason);

}  // namespace trueplate::footage::detail
