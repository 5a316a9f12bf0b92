#include <fmt/format.h>

#include <cerrno>
#include <cmath>
#include <cstdio>
#include <memory>
#include <system_error>

#include "calib/footage/detail/readers.h"
#include "calib/footage/frame.h"

namespace trueplate::footage {
namespace detail {

std::string_view kind_name(FileKind kind) {
  switch (kind) {
    case FileKind::kExr:
      return "EXR";
    case FileKind::kDpx:
      return "DPX";
    case FileKind::kTiff:
      return "TIFF";
    case FileKind::kPng:
      return "PNG";
    case FileKind::kJpeg:
      return "JPEG";
  }
  return "";
}

std::optional<FileKind> kind_of_content(std::string_view first_bytes) {
  using namespace std::string_view_literals;
  const auto begins = [&](std::string_view magic) { return first_bytes.starts_with(magic); };
  if (begins("\x76\x2f\x31\x01"sv)) return FileKind::kExr;
  if (begins("SDPX"sv) || begins("XPDS"sv)) return FileKind::kDpx;
  if (begins("II*\0"sv) || begins("MM\0*"sv) || begins("II+\0"sv) || begins("MM\0+"sv)) {
    return FileKind::kTiff;
  }
  if (begins("\x89PNG\r\n\x1a\n"sv)) return FileKind::kPng;
  if (begins("\xff\xd8\xff"sv)) return FileKind::kJpeg;
  return std::nullopt;
}

Unexpected damaged(const std::filesystem::path& path, std::string_view reason) {
  std::string line(reason.substr(0, 300));
  while (!line.empty() && (line.back() == '\n' || line.back() == ' ')) line.pop_back();
  for (char& c : line) {
    if (static_cast<unsigned char>(c) < ' ') c = ' ';
  }
  return fail(ErrorCode::kUnreadable,
              fmt::format("{}: damaged or incomplete ({})", path.string(), line));
}

Result<void> check_size(const std::filesystem::path& path,
                        long long width,
                        long long height,
                        long long channels,
                        std::size_t max_bytes) {
  if (width < 1 || height < 1 || channels < 1) {
    return damaged(path, fmt::format("{}x{} pixels of {} channels", width, height, channels));
  }
  if (width > kMaxImageSide || height > kMaxImageSide) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: {}x{} pixels, at most {} per side are read; the file is damaged "
                            "or not a plate",
                            path.string(),
                            width,
                            height,
                            kMaxImageSide));
  }
  // In floating point, since a hostile channel count would overflow any integer.
  const double bytes = static_cast<double>(width) * static_cast<double>(height) *
                       static_cast<double>(channels) * sizeof(float);
  if (bytes > static_cast<double>(max_bytes)) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: {}x{} pixels of {} channels need {:.1f} GiB, above the limit of "
                            "{:.1f} GiB",
                            path.string(),
                            width,
                            height,
                            channels,
                            bytes / 0x1p30,
                            static_cast<double>(max_bytes) / 0x1p30));
  }
  return {};
}

}  // namespace detail

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

Result<Frame> read(const fs::path& path, const ReadOptions& options, detail::Extent extent) {
  const Result<detail::FileKind> kind = kind_of_file(path);
  if (!kind) return fail(kind.error());
  try {
    Result<Frame> frame = *kind == detail::FileKind::kExr
                              ? detail::read_exr(path, options, extent)
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

Result<Frame> read_frame_header(const fs::path& path, Parts parts) {
  return read(path, {.parts = parts}, detail::Extent::kHeader);
}

}  // namespace trueplate::footage
