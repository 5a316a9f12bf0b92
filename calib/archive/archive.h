#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/archive/filing.h"
#include "calib/archive/query.h"
#include "calib/base/result.h"

namespace trueplate::archive {

/// Whether an archive that does not exist is begun.
enum class Absent { kRefuse, kCreate };

/// One thing that is wrong with an archive.
struct Damage {
  std::int64_t id = 0;  // of the calibration; 0: of the archive as a whole
  std::string words;
};

struct VerifyOptions {
  /// A seal that was noted earlier: its record has to be there. Only this tells that the newest
  /// records were cut off.
  std::string seal = {};
  /// Hears how many records are done of how many; returns false to stop (kInterrupted).
  std::function<bool(std::int64_t done, std::int64_t of)> progress = {};
};

/// What verify() found.
struct Verification {
  std::int64_t num_checked = 0;
  std::string seal;  // checksum of the newest record, which covers all before it; empty: none
  std::vector<Damage> damages;
};

/// Many lenses, kept for years: a database of calibrations with what they were made from.
///
/// The archive is a file (SQLite), or a database that a URL names (`postgresql://...`, PostgreSQL).
/// Records are added, never changed or removed: the database itself refuses both. A calibration of
/// the same lens, body, recording mode, states and plate size takes the place of the current one,
/// which stays in the history. Each record has a checksum that covers its whole content and the
/// checksum of the record before it, so whatever is changed, removed or put between is found by
/// verify().
///
/// Any number of processes may read and write together. A writer that is killed leaves its record
/// whole or not at all. Who may not write to a file may read it, and leaves nothing beside it;
/// add() then says why not. An object is for one thread at a time.
///
/// Errors: kNotFound (no such archive or id), kUnreadable (no archive of ours, a newer one, a
/// damaged file, a server that does not answer), kUnwritable, kInvalidInput. Messages name the
/// archive; the password in a URL is not shown.
class Archive {
 public:
  static Result<Archive> open(const std::string& location, Absent absent = Absent::kRefuse);

  Archive(Archive&&) noexcept;
  Archive& operator=(Archive&&) noexcept;
  ~Archive();

  /// Files calibrations, all or none. Each document is read and checked first. A document that is
  /// in the archive already, byte by byte, is not filed again.
  Result<std::vector<Filed>> add(std::span<const Filing> filings);

  Result<std::vector<Entry>> find(const Query& query) const;
  Result<Entry> entry(std::int64_t id) const;
  /// The profile as it was handed in, byte by byte; its digest is checked.
  Result<std::string> document(std::int64_t id) const;
  Result<std::vector<Attachment>> attachments(std::int64_t id) const;

  /// Every calibration of the lens of `id`, oldest first.
  Result<std::vector<Entry>> history(std::int64_t id) const;

  /// Reads every record and checks it: digests, checksums, the order of records, what was derived
  /// from the documents for finding, and the database's own structure.
  Result<Verification> verify(const VerifyOptions& options = {}) const;

  /// The location for showing: a URL without its password.
  [[nodiscard]] const std::string& name() const;

 private:
  struct State;
  explicit Archive(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace trueplate::archive
