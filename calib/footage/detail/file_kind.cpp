#include <fmt/format.h>

#include <string>

#include "calib/footage/detail/readers.h"

namespace trueplate::footage::detail {

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

std::string_view reason_in(std::string_view message, std::string_view name) {
  // OpenEXR: `Cannot read image file "NAME". REASON`, once for each layer of the library.
  const std::string around = fmt::format("\"{}\". ", name);
  const std::size_t last = name.empty() ? std::string_view::npos : message.rfind(around);
  if (last == std::string_view::npos) return message;
  const std::string_view rest = message.substr(last + around.size());
  return rest.empty() ? message : rest;
}

Unexpected damaged(const std::filesystem::path& path, std::string_view reason) {
  std::string line(reason_in(reason, path.string()).substr(0, 300));
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
                            "{:.1f} GiB for one frame; spread its channels over several files, or "
                            "look at its data window if that is not what it should hold",
                            path.string(),
                            width,
                            height,
                            channels,
                            bytes / 0x1p30,
                            static_cast<double>(max_bytes) / 0x1p30));
  }
  return {};
}

}  // namespace trueplate::footage::detail
