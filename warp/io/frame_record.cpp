#include "warp/io/frame_record.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdint>
#include <optional>
#include <system_error>

#include "calib/base/atomic_file.h"
#include "calib/footage/content_digest.h"
#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/compression.h"
#include "warp/io/detail/exr_attribute.h"

namespace trueplate::warp {
namespace {

namespace fs = std::filesystem;
using footage::BlankedBytes;
using footage::kDigestLength;

// "1 SETTINGS SOURCE CONTENT", the version of the record first.
constexpr std::string_view kVersion = "1 ";
constexpr std::size_t kSettingsAt = kVersion.size();
constexpr std::size_t kSourceAt = kSettingsAt + kDigestLength + 1;
constexpr std::size_t kContentAt = kSourceAt + kDigestLength + 1;
constexpr std::size_t kRecordLength = kContentAt + kDigestLength;

struct Record {
  Recipe recipe;
  std::string content;
  BlankedBytes own_digest;  // where in the frame's file `content` stands, if there
};

std::string text_of(const Recipe& recipe, std::string_view content) {
  return fmt::format("{}{} {} {}", kVersion, recipe.settings, recipe.source, content);
}

bool is_exr(const fs::path& path) {
  const Result<detail::FileKind> kind = detail::output_kind(path);
  return kind && *kind == detail::FileKind::kExr;
}

/// nullopt for what is no record.
std::optional<Record> parse_record(std::string_view text) {
  const auto is_digit = [](char c) { return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'); };
  if (text.size() != kRecordLength || !text.starts_with(kVersion)) return std::nullopt;
  for (const std::size_t begin : {kSettingsAt, kSourceAt, kContentAt}) {
    const std::string_view digest = text.substr(begin, kDigestLength);
    if (text[begin - 1] != ' ' || !std::all_of(digest.begin(), digest.end(), is_digit)) {
      return std::nullopt;
    }
  }
  return Record{{std::string(text.substr(kSettingsAt, kDigestLength)),
                 std::string(text.substr(kSourceAt, kDigestLength))},
                std::string(text.substr(kContentAt, kDigestLength)),
                {}};
}

std::optional<Record> read_record(const fs::path& path) {
  if (!is_exr(path)) {
    const Result<std::string> text = read_text_file(record_path(path), kRecordLength + 1);
    if (!text || !text->ends_with('\n')) return std::nullopt;
    return parse_record(std::string_view(*text).substr(0, text->size() - 1));
  }
  const std::optional<detail::LocatedText> found =
      detail::find_text_attribute(path, footage::detail::kRecordName, kRecordLength);
  std::optional<Record> record = found ? parse_record(found->text) : std::nullopt;
  if (record) record->own_digest = {found->begin + kContentAt, kDigestLength};
  return record;
}

/// A frame's record, and what it alone says.
struct Found {
  FrameMatch match = FrameMatch::kAbsent;
  std::optional<Record> record = std::nullopt;
};

/// The frame is looked for first: another process puts the record in place before the frame.
Found find(const fs::path& path, std::string_view settings) {
  std::error_code code;
  if (!fs::exists(fs::symlink_status(path, code))) return {};
  Found found{.match = FrameMatch::kNoRecord, .record = read_record(path)};
  if (!found.record) return found;
  const bool same = found.record->recipe.settings == settings;
  found.match = same ? FrameMatch::kComplete : FrameMatch::kOtherSettings;
  return found;
}

Unexpected unwritable(const fs::path& path, int error_number) {
  return fail(ErrorCode::kUnwritable,
              fmt::format("{}: could not be written ({})",
                          path.string(),
                          std::generic_category().message(error_number)));
}

/// Replaces bytes of a file.
Result<void> put(const fs::path& path,
                 std::uint64_t begin,
                 std::string_view text,
                 const fs::path& shown_path) {
  const int descriptor = ::open(path.c_str(), O_WRONLY | O_CLOEXEC);
  if (descriptor < 0) return unwritable(shown_path, errno);
  const ssize_t put = ::pwrite(descriptor, text.data(), text.size(), static_cast<off_t>(begin));
  const int error_number = put < 0 ? errno : ENOSPC;
  const bool written = put == static_cast<ssize_t>(text.size());
  if (::close(descriptor) != 0 && written) return unwritable(shown_path, errno);
  if (!written) return unwritable(shown_path, error_number);
  return {};
}

Result<void> write_exr_record(const fs::path& temporary_path,
                              const fs::path& final_path,
                              const Recipe& recipe,
                              std::string_view content) {
  const auto room =
      detail::find_text_attribute(temporary_path, footage::detail::kRecordName, kRecordLength);
  if (!room || room->text != unfinished_record(recipe)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: its header has no room for the record of its making",
                            final_path.string()));
  }
  return put(temporary_path, room->begin + kContentAt, content, final_path);
}

}  // namespace

std::string_view to_text(FrameMatch match) {
  switch (match) {
    case FrameMatch::kAbsent:
      return "is absent";
    case FrameMatch::kNoRecord:
      return "was not made by this program, or not to its end";
    case FrameMatch::kOtherSettings:
      return "was made with another lens, other options or another version";
    case FrameMatch::kOtherSource:
      return "was made from another input";
    case FrameMatch::kChanged:
      return "was changed or cut short since it was made";
    case FrameMatch::kComplete:
      return "is complete";
  }
  return "";
}

FrameMatch match_settings(const fs::path& path, std::string_view settings) {
  return find(path, settings).match;
}

FrameMatch match_frame(const fs::path& path, const Recipe& recipe) {
  const auto [first, record] = find(path, recipe.settings);
  if (first != FrameMatch::kComplete) return first;
  if (record->recipe.source != recipe.source) return FrameMatch::kOtherSource;
  const Result<std::string> content = footage::digest_of_file(path, record->own_digest);
  return content && *content == record->content ? FrameMatch::kComplete : FrameMatch::kChanged;
}

Result<void> write_record(const fs::path& temporary_path,
                          const fs::path& final_path,
                          const Recipe& recipe,
                          std::string_view content) {
  std::string read;
  if (content.empty()) {
    Result<std::string> digest = footage::digest_of_file(temporary_path);
    if (!digest) return fail(ErrorCode::kUnwritable, digest.error().message);
    read = *std::move(digest);
    content = read;
  }
  if (is_exr(final_path)) return write_exr_record(temporary_path, final_path, recipe, content);
  return write_text_file(record_path(final_path),
                         fmt::format("{}\n", text_of(recipe, content)),
                         Overwrite::kAllow,
                         Flush::kLeaveToSystem);
}

std::string unfinished_record(const Recipe& recipe) {
  return text_of(recipe, std::string(kDigestLength, '0'));
}

fs::path record_path(const fs::path& final_path) {
  return final_path.parent_path() / fmt::format(".{}.made", final_path.filename().string());
}

}  // namespace trueplate::warp
