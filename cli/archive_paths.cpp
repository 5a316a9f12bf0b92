#include "cli/archive_paths.h"

#include <fmt/format.h>
#include <pwd.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <string_view>
#include <system_error>

#include "calib/base/sha256.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view kAttachmentsEnding = "_attachments";

bool plain(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
}

/// Letters and digits in small letters, runs of anything else as one dash.
std::string slug(std::string_view text) {
  constexpr std::size_t kMost = 40;
  std::string result;
  for (const char c : text) {
    if (plain(c)) {
      result += c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
    } else if (!result.empty() && result.back() != '-') {
      result += '-';
    }
    if (result.size() >= kMost) break;
  }
  while (!result.empty() && result.back() == '-') result.pop_back();
  return result;
}

}  // namespace

Result<std::vector<fs::path>> profile_files(const std::vector<std::string>& paths) {
  std::vector<fs::path> files;
  for (const std::string& path : paths) {
    std::error_code code;
    const fs::file_status status = fs::status(path, code);
    if (!fs::exists(status)) {
      return fail(ErrorCode::kNotFound, fmt::format("{}: no such file or folder", path));
    }
    if (!fs::is_directory(status)) {
      files.emplace_back(path);
      continue;
    }
    std::vector<fs::path> below;
    fs::recursive_directory_iterator it(path, fs::directory_options::skip_permission_denied, code);
    for (; !code && it != fs::recursive_directory_iterator(); it.increment(code)) {
      if (it->path().filename().string().ends_with(kAttachmentsEnding) && it->is_directory(code)) {
        it.disable_recursion_pending();
      }
      if (it->path().extension() == ".json" && it->is_regular_file(code)) {
        below.push_back(it->path());
      }
    }
    if (code) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: cannot be searched ({})", path, code.message()));
    }
    std::sort(below.begin(), below.end());
    files.insert(files.end(), below.begin(), below.end());
  }
  return files;
}

fs::path attachments_folder(std::int64_t id) {
  return fmt::format("{:06}{}", id, kAttachmentsEnding);
}

std::string profile_file_name(const archive::Entry& entry) {
  std::string name = fmt::format("{:06}", entry.id);
  for (const std::string& label : {slug(entry.lens.model), slug(entry.lens.serial)}) {
    if (!label.empty()) name += fmt::format("_{}", label);
  }
  return fmt::format("{}.json", name);
}

std::string attachment_file_name(const archive::Attachment& attachment, std::size_t number) {
  const fs::path given = fs::path(attachment.name).filename();
  std::string stem = slug(given.stem().string());
  std::string extension = slug(given.extension().string());
  if (stem.empty()) stem = archive::to_text(attachment.kind);
  if (!extension.empty()) extension = fmt::format(".{}", extension);
  return fmt::format("{}_{}{}", number, stem, extension);
}

Result<std::vector<WrittenAttachment>> write_attachments(const archive::Archive& archive,
                                                         std::int64_t id,
                                                         const fs::path& folder,
                                                         Overwrite overwrite) {
  const Result<std::vector<archive::Attachment>> attachments = archive.attachments(id);
  if (!attachments) return fail(attachments.error());
  std::vector<WrittenAttachment> written;
  if (attachments->empty()) return written;
  std::error_code code;
  fs::create_directories(folder, code);
  if (code) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: cannot be made ({})", folder.string(), code.message()));
  }
  for (std::size_t i = 0; i < attachments->size(); ++i) {
    const archive::Attachment& one = (*attachments)[i];
    const fs::path path = folder / attachment_file_name(one, i + 1);
    if (Result<void> good = write_text_file(path, one.content, overwrite); !good) {
      return fail(good.error());
    }
    const Result<std::string> digest = sha256_of_text(one.content);
    if (!digest) return fail(digest.error());
    written.push_back({id, path.string(), one.kind, one.name, *digest});
  }
  return written;
}

std::string user_name() {
  if (const char* user = std::getenv("USER"); user != nullptr && *user != '\0') return user;
  const passwd* entry = getpwuid(getuid());
  return entry == nullptr ? fmt::format("user {}", getuid()) : std::string(entry->pw_name);
}

}  // namespace trueplate::cli
