#include <fmt/format.h>

#include <cerrno>
#include <cmath>
#include <cstdio>
#include <memory>
#include <system_error>

#include "calib/footage/content_digest.h"
#include "calib/footage/detail/readers.h"
#include "calib/footage/digested_frame.h"
#include "calib/footage/frame.h"

namespace trueplate::footage {
namespace {

namespace fs = std::filesystem;

Result<detail::FileKind> kind_of_file(const fs::path& path) {
  std::error_code code;
  const fs::file_status status = fs::status(path, code);
  if (!fs::exists(status)) {
    return fail(ErrorCode::kNotFound, fmt::format("{}: no such file", path.string()));
  }
  if (!fs::is_regular_file(status)) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: is a {}, wanted a picture file",
                            path.string(),
                            fs::is_directory(status) ? "folder" : "device or pipe"));
  }
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> stream(std::fopen(path.c_str(), "rbe"),
                                                               &std::fclose);
  if (!stream) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format(
            "{}: cannot be opened ({})", path.string(), std::generic_category().message(errno)));
  }
  std::string first_bytes(16, '\0');
  first_bytes.resize(std::fread(first_bytes.data(), 1, first_bytes.size(), stream.get()));
  if (first_bytes.empty()) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: is empty", path.string()));
  }
  const std::optional<detail::FileKind> kind = detail::kind_of_content(first_bytes);
  if (!kind) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format("{}: its content is no EXR, DPX, TIFF, PNG or JPEG picture", path.string()));
  }
  return *kind;
}

/// `digest`: of the whole file, if it is not null.
Result<Frame> read(const fs::path& path,
                   const ReadOptions& options,
                   detail::Extent extent,
                   ContentDigest* digest = nullptr) {
  const Result<detail::FileKind> kind = kind_of_file(path);
  if (!kind) return fail(kind.error());
  try {
    Result<Frame> frame = *kind == detail::FileKind::kExr
                              ? detail::read_exr(path, options, extent, digest)
                              : detail::read_other(path, *kind, options, extent);
    if (frame && (!std::isfinite(frame->pixel_aspect) || frame->pixel_aspect < 1e-3 ||
                  frame->pixel_aspect > 1e3)) {
      frame->warnings.push_back(
          {"pixel-aspect",
           fmt::format("the header's pixel aspect {} makes no sense; 1 was taken",
                       frame->pixel_aspect),
           frame->pixel_aspect});
      frame->pixel_aspect = 1.0;
    }
    if (frame && digest != nullptr && *kind != detail::FileKind::kExr) {
      if (Result<void> added = add_file(*digest, path); !added) return fail(added.error());
    }
    return frame;
  } catch (const std::exception& exception) {
    // Running out of memory included: a damaged header makes the libraries ask for too much.
    return detail::damaged(path, exception.what());
  }
}

}  // namespace

Result<Frame> read_frame(const fs::path& path, const ReadOptions& options) {
  return read(path, options, detail::Extent::kWhole);
}

Result<DigestedFrame> read_digested_frame(const fs::path& path, const ReadOptions& options) {
  ContentDigest digest;
  Result<Frame> frame = read(path, options, detail::Extent::kWhole, &digest);
  if (!frame) return fail(frame.error());
  return DigestedFrame{*std::move(frame), digest.text()};
}

Result<Frame> read_frame_header(const fs::path& path, Parts parts) {
  return read(path, {.parts = parts}, detail::Extent::kHeader);
}

}  // namespace trueplate::footage
