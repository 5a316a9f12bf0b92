#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <span>
#include <string>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/base/result.h"

namespace trueplate::cli {

/// The lists that `archive export` writes into its folder beside the profiles: what the archive
/// knows of each, and which files are kept with it.
inline constexpr const char* kIndexName = "index.csv";
inline constexpr const char* kAttachmentsName = "attachments.csv";

/// A file that was written, of an attachment of a calibration.
struct WrittenAttachment {
  std::int64_t id = 0;
  std::string path;  // relative to the folder of the export
  archive::AttachmentKind kind = archive::AttachmentKind::kObservations;
  std::string name;
  std::string sha256;
};
std::string attachments_csv(std::span<const WrittenAttachment> attachments);

/// An exported folder that is taken in again: gives each profile, known by its SHA-256, what the
/// archive it came from knew of it.
class ExportIndex {
 public:
  /// The lists in `folder`; without profiles when there are none, or others of that name. Errors:
  /// lists that are damaged.
  static Result<ExportIndex> read(const std::filesystem::path& folder);

  [[nodiscard]] const std::filesystem::path& path() const { return path_; }
  [[nodiscard]] bool knows(const std::string& sha256) const { return rows_.contains(sha256); }

  /// Fills what `filing` leaves empty: labels, note, who and when, what it takes the place of, and
  /// what is kept with it. Errors: a file to be kept is gone or another.
  Result<void> complete(const std::string& sha256, archive::Filing& filing) const;

  /// The profile became `filed`: what follows may take its place.
  void remember(const std::string& sha256, const archive::Filed& filed);

  /// How many profiles were filed with what the list says of them.
  [[nodiscard]] int num_filed() const { return static_cast<int>(new_of_old_.size()); }

 private:
  struct Row {
    std::int64_t id = 0;
    archive::Filing filing;  // without document
    std::int64_t supersedes = 0;
    std::vector<WrittenAttachment> attachments;
  };

  Result<void> read_rows();
  Result<void> read_attachments();

  std::filesystem::path path_;
  std::map<std::string, Row> rows_;                  // by the profile's SHA-256
  std::map<std::int64_t, std::int64_t> new_of_old_;  // ids of what was filed anew
};

}  // namespace trueplate::cli
