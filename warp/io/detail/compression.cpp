#include "warp/io/detail/compression.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <utility>

#include "calib/base/text.h"

namespace trueplate::warp::detail {
namespace {

struct ExrEntry {
  std::string_view name;
  Imf::Compression compression;
  bool lossless;
};

constexpr std::array<ExrEntry, 10> kExrTable = {{{"none", Imf::NO_COMPRESSION, true},
                                                 {"rle", Imf::RLE_COMPRESSION, true},
                                                 {"zips", Imf::ZIPS_COMPRESSION, true},
                                                 {"zip", Imf::ZIP_COMPRESSION, true},
                                                 {"piz", Imf::PIZ_COMPRESSION, true},
                                                 {"pxr24", Imf::PXR24_COMPRESSION, false},
                                                 {"b44", Imf::B44_COMPRESSION, false},
                                                 {"b44a", Imf::B44A_COMPRESSION, false},
                                                 {"dwaa", Imf::DWAA_COMPRESSION, false},
                                                 {"dwab", Imf::DWAB_COMPRESSION, false}}};

std::string_view choices_text(FileKind kind) {
  switch (kind) {
    case FileKind::kExr:
      return "none, rle, zips, zip, piz, pxr24, b44, b44a, dwaa, dwab";
    case FileKind::kDpx:
      return "none";
    case FileKind::kTiff:
      return "none, lzw, zip";
    case FileKind::kPng:
      return "zip, zip:1 .. zip:9";
    case FileKind::kJpeg:
      return "jpeg, jpeg:1 .. jpeg:100";
  }
  return "";
}

/// `name` or `name:LEVEL` with LEVEL in 1 .. most.
bool parse_level(std::string_view text, std::string_view name, int most, int& level) {
  if (!text.starts_with(name)) return false;
  text.remove_prefix(name.size());
  if (text.empty()) return true;
  if (text.front() != ':') return false;
  const std::optional<int> number = parse_int(text.substr(1));
  if (!number || *number < 1 || *number > most) return false;
  level = *number;
  return true;
}

bool parse(FileKind kind, std::string_view text, Compression& compression) {
  switch (kind) {
    case FileKind::kExr: {
      const auto* entry = std::find_if(kExrTable.begin(),
                                       kExrTable.end(),
                                       [&](const ExrEntry& row) { return row.name == text; });
      if (entry == kExrTable.end()) return false;
      compression.exr = entry->compression;
      return true;
    }
    case FileKind::kDpx:
      return text == "none";
    case FileKind::kTiff:
      compression.name = text;
      return text == "none" || text == "lzw" || text == "zip";
    case FileKind::kPng:
      return parse_level(text, "zip", 9, compression.level);
    case FileKind::kJpeg:
      return parse_level(text, "jpeg", 100, compression.level);
  }
  return false;
}

}  // namespace

Result<FileKind> output_kind(const std::filesystem::path& path) {
  static constexpr std::array<std::pair<std::string_view, FileKind>, 7> kExtensions = {
      {{".exr", FileKind::kExr},
       {".dpx", FileKind::kDpx},
       {".tif", FileKind::kTiff},
       {".tiff", FileKind::kTiff},
       {".png", FileKind::kPng},
       {".jpg", FileKind::kJpeg},
       {".jpeg", FileKind::kJpeg}}};
  std::string extension = path.extension().string();
  for (char& c : extension) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  for (const auto& [name, kind] : kExtensions) {
    if (name == extension) return kind;
  }
  return fail(ErrorCode::kUnsupported,
              fmt::format("{}: pictures are written as exr, dpx, tif, png or jpg, not '{}'",
                          path.string(),
                          extension));
}

Result<std::optional<Compression>> parse_compression(const std::filesystem::path& path,
                                                     FileKind kind,
                                                     std::string_view text) {
  if (text.empty()) return std::optional<Compression>();
  Compression compression;
  if (!parse(kind, text, compression)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: compression '{}' is not possible in {}; choose one of {}",
                            path.string(),
                            text.substr(0, 40),
                            footage::detail::kind_name(kind),
                            choices_text(kind)));
  }
  return std::optional<Compression>(std::move(compression));
}

bool is_lossless(Imf::Compression compression) {
  const auto* entry = std::find_if(kExrTable.begin(), kExrTable.end(), [&](const ExrEntry& row) {
    return row.compression == compression;
  });
  return entry != kExrTable.end() && entry->lossless;
}

std::string_view exr_compression_name(Imf::Compression compression) {
  const auto* entry = std::find_if(kExrTable.begin(), kExrTable.end(), [&](const ExrEntry& row) {
    return row.compression == compression;
  });
  return entry != kExrTable.end() ? entry->name : "unknown";
}

}  // namespace trueplate::warp::detail
