#include "calib/archive/detail/verify.h"

#include <fmt/format.h>

#include <string>
#include <vector>

#include "calib/archive/detail/contents.h"
#include "calib/archive/detail/derive.h"
#include "calib/archive/detail/entries.h"
#include "calib/base/sha256.h"
#include "calib/profile/profile.h"

namespace trueplate::archive::detail {
namespace {

/// The damages of one record.
class RecordCheck {
 public:
  RecordCheck(const Database& database, const Entry& entry) : database_(database), entry_(entry) {}

  std::vector<Damage> run(const std::string& previous) {
    check_document();
    check_attachments();
    const Result<std::string> checksum = checksum_of(entry_, digests_, previous);
    if (!checksum || *checksum != entry_.checksum) {
      add("its checksum does not fit: a label, a name or the order of records was changed");
    }
    return std::move(damages_);
  }

 private:
  void add(std::string words) { damages_.push_back({entry_.id, std::move(words)}); }

  void check_document() {
    Filing filing;
    filing.source = fmt::format("calibration {}", entry_.id);
    filing.document = read_document(database_, entry_.id);
    const Result<std::string> digest = sha256_of_text(filing.document);
    if (!digest || *digest != entry_.document_sha256) {
      add("its profile is not what was filed");
      return;
    }
    const Result<profile::Profile> profile = profile::parse_profile(filing.document, filing.source);
    if (!profile) {
      add(fmt::format("its profile cannot be read: {}", profile.error().message));
      return;
    }
    filing.lens = entry_.lens;
    filing.body = entry_.body;
    filing.recording_mode = entry_.recording_mode;
    filing.added_by = entry_.added_by;
    filing.note = entry_.note;
    const Result<Entry> again = entry_of(filing, *profile);
    if (!again || derived_text(*again) != derived_text(entry_)) {
      add("what it is found by (states, ranges, model, plate) is not what its profile says");
    }
    const Derived derived = derive(*profile);
    const Derived kept = read_derived(database_, entry_.id);
    if (derived.stations != kept.stations) add("its stations are not those of its profile");
    if (derived.footage != kept.footage) add("its footage is not that of its profile");
    if (words_of(entry_, derived) != read_words(database_, entry_.id)) {
      add("the words it is found by are not those of its labels");
    }
  }

  void check_attachments() {
    for (const StoredAttachment& attachment : read_attachments(database_, entry_.id)) {
      digests_.push_back(attachment.digest);
      const std::optional<std::string> content = content_of(attachment);
      const Result<std::string> digest = sha256_of_text(content.value_or(""));
      if (!content || !digest || *digest != attachment.digest.sha256) {
        add(fmt::format("{} is not what was filed", attachment.digest.name));
      }
    }
  }

  const Database& database_;
  const Entry& entry_;
  std::vector<AttachmentDigest> digests_;
  std::vector<Damage> damages_;
};

/// What the database says of its own structure.
std::vector<Damage> structure_damages(const Database& database) {
  std::vector<Damage> damages;
  if (database.dialect != Dialect::kSqlite) return damages;
  std::string words;
  soci::statement integrity =
      (database.sql.prepare << "PRAGMA integrity_check(20)", soci::into(words));
  integrity.execute();
  while (integrity.fetch()) {
    if (words != "ok") damages.push_back({0, fmt::format("the file is damaged: {}", words)});
  }
  std::string table;
  soci::statement keys = (database.sql.prepare << "PRAGMA foreign_key_check", soci::into(table));
  keys.execute();
  while (keys.fetch()) {
    damages.push_back({0, fmt::format("a row of {} belongs to nothing", table)});
  }
  return damages;
}

}  // namespace

Result<Verification> verify(const Database& database, const VerifyOptions& options) {
  Verification result;
  result.damages = structure_damages(database);
  const std::int64_t newest = newest_id(database);
  std::string previous;
  bool sealed = options.seal.empty();
  for (std::int64_t id = 1; id <= newest; ++id) {
    if (options.progress && !options.progress(id - 1, newest)) {
      return fail(ErrorCode::kInterrupted,
                  fmt::format("{}: stopped after {} of {} records", database.name, id - 1, newest));
    }
    const Result<Entry> entry = read_entry(database, id);
    if (!entry) {
      result.damages.push_back({id, "is missing"});
      previous.clear();
      continue;
    }
    const std::vector<Damage> damages = RecordCheck(database, *entry).run(previous);
    result.damages.insert(result.damages.end(), damages.begin(), damages.end());
    previous = entry->checksum;
    sealed = sealed || entry->checksum == options.seal;
    ++result.num_checked;
  }
  result.seal = previous;
  if (!sealed) {
    result.damages.push_back({0, "no record has the given seal: the newest ones were cut off"});
  }
  return result;
}

}  // namespace trueplate::archive::detail
