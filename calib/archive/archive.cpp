#include "calib/archive/archive.h"

#include <fmt/format.h>

#include "calib/archive/detail/contents.h"
#include "calib/archive/detail/database.h"
#include "calib/archive/detail/entries.h"
#include "calib/archive/detail/schema.h"
#include "calib/archive/detail/state.h"
#include "calib/archive/detail/verify.h"
#include "calib/archive/detail/write.h"
#include "calib/base/sha256.h"

namespace trueplate::archive {
namespace {

using detail::Database;
using detail::guarded;

}  // namespace

const char* to_text(AttachmentKind kind) {
  return kind == AttachmentKind::kObservations ? "observations" : "picture";
}

Archive::Archive(std::unique_ptr<State> state) : state_(std::move(state)) {}
Archive::Archive(Archive&&) noexcept = default;
Archive& Archive::operator=(Archive&&) noexcept = default;
Archive::~Archive() = default;

Result<Archive> Archive::open(const std::string& location, Absent absent) {
  const detail::FileAbsent file_absent =
      absent == Absent::kCreate ? detail::FileAbsent::kCreate : detail::FileAbsent::kRefuse;
  Result<std::unique_ptr<Database>> database = detail::connect(location, file_absent);
  if (!database) return fail(database.error());
  if (Result<void> ready = detail::prepare_tables(**database, file_absent); !ready) {
    return fail(ready.error());
  }
  return Archive(std::make_unique<State>(State{std::move(*database)}));
}

const std::string& Archive::name() const { return state_->database->name; }

Result<std::vector<Filed>> Archive::add(std::span<const Filing> filings) {
  Database& database = *state_->database;
  if (!database.file.unwritable.empty()) {
    return fail(ErrorCode::kUnwritable, database.file.unwritable);
  }
  std::vector<detail::Checked> checked;
  for (const Filing& filing : filings) {
    Result<detail::Checked> next = detail::check(filing);
    if (!next) return fail(next.error());
    checked.push_back(std::move(*next));
  }
  return guarded(database, [&]() -> Result<std::vector<Filed>> {
    detail::WriteTransaction transaction(database);
    std::vector<Filed> filed;
    for (std::size_t i = 0; i < checked.size(); ++i) {
      Result<Filed> next = detail::write(database, filings[i], std::move(checked[i]));
      if (!next) return fail(next.error());
      filed.push_back(*next);
    }
    transaction.commit();
    return filed;
  });
}

Result<std::vector<Entry>> Archive::find(const Query& query) const {
  return guarded(*state_->database, [&]() -> Result<std::vector<Entry>> {
    return detail::find_entries(*state_->database, query);
  });
}

Result<Entry> Archive::entry(std::int64_t id) const {
  return guarded(*state_->database,
                 [&]() -> Result<Entry> { return detail::read_entry(*state_->database, id); });
}

Result<std::string> Archive::document(std::int64_t id) const {
  const Database& database = *state_->database;
  return guarded(database, [&]() -> Result<std::string> {
    const Result<Entry> entry = detail::read_entry(database, id);
    if (!entry) return fail(entry.error());
    std::string content = detail::read_document(database, id);
    const Result<std::string> digest = sha256_of_text(content);
    if (!digest) return fail(digest.error());
    if (*digest == entry->document_sha256) return content;
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: the profile of calibration {} is not what was filed; see "
                            "`archive verify`, and restore the archive from a copy",
                            database.name,
                            id));
  });
}

Result<std::vector<Attachment>> Archive::attachments(std::int64_t id) const {
  const Database& database = *state_->database;
  return guarded(database, [&]() -> Result<std::vector<Attachment>> {
    std::vector<Attachment> result;
    for (const detail::StoredAttachment& stored : detail::read_attachments(database, id)) {
      std::optional<std::string> content = detail::content_of(stored);
      const Result<std::string> digest = sha256_of_text(content.value_or(""));
      if (!content || !digest || *digest != stored.digest.sha256) {
        return fail(ErrorCode::kUnreadable,
                    fmt::format("{}: {} of calibration {} is not what was filed; restore the "
                                "archive from a copy",
                                database.name,
                                stored.digest.name,
                                id));
      }
      const bool picture = stored.digest.kind == to_text(AttachmentKind::kPicture);
      result.push_back({picture ? AttachmentKind::kPicture : AttachmentKind::kObservations,
                        stored.digest.name,
                        std::move(*content)});
    }
    return result;
  });
}

Result<std::vector<Entry>> Archive::history(std::int64_t id) const {
  const Database& database = *state_->database;
  return guarded(database, [&]() -> Result<std::vector<Entry>> {
    const Result<Entry> entry = detail::read_entry(database, id);
    if (!entry) return fail(entry.error());
    return detail::lens_entries(database, id);
  });
}

Result<Verification> Archive::verify(const VerifyOptions& options) const {
  return guarded(*state_->database, [&]() -> Result<Verification> {
    return detail::verify(*state_->database, options);
  });
}

}  // namespace trueplate::archive
