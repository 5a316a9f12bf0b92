#include "calib/archive/detail/write.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <initializer_list>
#include <string_view>

#include "calib/archive/detail/bound.h"
#include "calib/archive/detail/entries.h"
#include "calib/base/timestamp.h"
#include "calib/base/utf8.h"
#include "calib/profile/profile.h"

namespace trueplate::archive::detail {
namespace {

struct Column {
  const char* name;
  const std::string& text;
};

/// The id of the row with these texts, which is made when there is none.
long long thing_id(Database& database,
                   const std::string& table,
                   std::initializer_list<Column> columns) {
  std::string where;
  std::string names;
  std::string values;
  for (const auto& [name, text] : columns) {
    where += fmt::format("{}{} = :{}", where.empty() ? "" : " AND ", name, name);
    names += fmt::format(", {}", name);
    values += fmt::format(", :{}", name);
  }
  const auto run = [&](const std::string& query, long long* result, const long long* id) {
    soci::statement statement(database.sql);
    if (result != nullptr) statement.exchange(soci::into(*result));
    if (id != nullptr) statement.exchange(soci::use(*id, "id"));
    for (const auto& [name, text] : columns) statement.exchange(soci::use(text, name));
    statement.alloc();
    statement.prepare(query);
    statement.define_and_bind();
    return statement.execute(true);
  };
  long long id = 0;
  if (run(fmt::format("SELECT id FROM {} WHERE {}", table, where), &id, nullptr)) return id;
  database.sql << fmt::format("SELECT coalesce(max(id), 0) + 1 FROM {}", table), soci::into(id);
  run(fmt::format("INSERT INTO {} (id{}) VALUES (:id{})", table, names, values), nullptr, &id);
  return id;
}

/// The calibration that `entry`, of this lens and camera, takes the place of by itself: of the same
/// states and plate; 0: none.
long long current_id(Database& database, long long lens, long long camera, const Entry& entry) {
  long long id = 0;
  const long long width = entry.plate.width;
  const long long height = entry.plate.height;
  database.sql << "SELECT coalesce(max(c.id), 0) FROM calibration c "
                  "LEFT JOIN calibration n ON n.supersedes = c.id "
                  "WHERE c.lens_id = :lens AND c.camera_id = :camera AND c.states = :states "
                  "AND c.plate_width = :width AND c.plate_height = :height AND n.id IS NULL",
      soci::use(lens, "lens"), soci::use(camera, "camera"), soci::use(entry.states, "states"),
      soci::use(width, "width"), soci::use(height, "height"), soci::into(id);
  return id;
}

/// What says that two calibrations are not of one lens and plate; empty: nothing. A label that one
/// of them lacks says nothing.
std::string contradiction(const Entry& old, const Entry& entry) {
  struct Label {
    std::string_view name;
    const std::string& before;
    const std::string& now;
  };
  for (const Label& label : {Label{"maker", old.lens.maker, entry.lens.maker},
                             Label{"model", old.lens.model, entry.lens.model},
                             Label{"series", old.lens.series, entry.lens.series},
                             Label{"serial number", old.lens.serial, entry.lens.serial}}) {
    if (label.before.empty() || label.now.empty() || label.before == label.now) continue;
    return fmt::format(
        "the {} '{}', not '{}'", label.name, printable(label.before), printable(label.now));
  }
  if (old.plate == entry.plate) return {};
  return fmt::format("a plate of {}x{} px, not {}x{}",
                     old.plate.width,
                     old.plate.height,
                     entry.plate.width,
                     entry.plate.height);
}

Result<void> check_superseded(Database& database,
                              std::int64_t id,
                              const Entry& entry,
                              const std::string& source) {
  const Result<Entry> old = read_entry(database, id);
  if (!old) return fail(old.error());
  if (old->superseded_by != 0) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: calibration {} has been superseded already, by {}",
                            database.name,
                            id,
                            old->superseded_by));
  }
  const std::string other = contradiction(*old, entry);
  if (other.empty()) return {};
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: cannot take the place of calibration {}, which has {}; name another "
                          "calibration or another label, or file it beside that one, superseding "
                          "none",
                          source,
                          id,
                          other));
}

/// What a filing says that the record of the same document does not: that record stays as it is.
std::vector<std::string> not_taken(const Database& database,
                                   const Entry& there,
                                   const Filing& filing,
                                   const std::vector<StoredAttachment>& attachments) {
  std::vector<std::string> names;
  const auto compare = [&](const char* name, const std::string& given, const std::string& kept) {
    if (!given.empty() && given != kept) names.emplace_back(name);
  };
  compare("maker", filing.lens.maker, there.lens.maker);
  compare("model", filing.lens.model, there.lens.model);
  compare("series", filing.lens.series, there.lens.series);
  compare("serial number", filing.lens.serial, there.lens.serial);
  compare("body", filing.body, there.body);
  compare("recording mode", filing.recording_mode, there.recording_mode);
  compare("note", filing.note, there.note);
  if (filing.supersedes.value_or(there.supersedes) != there.supersedes) {
    names.emplace_back("what it takes the place of");
  }
  if (attachments.empty()) return names;
  const std::vector<StoredAttachment> kept = read_attachments(database, there.id);
  for (const StoredAttachment& attachment : attachments) {
    const bool known = std::any_of(kept.begin(), kept.end(), [&](const StoredAttachment& other) {
      return other.digest.sha256 == attachment.digest.sha256;
    });
    if (!known) names.push_back(attachment.digest.name);
  }
  return names;
}

void insert_calibration(Database& database, const Entry& entry, long long lens, long long camera) {
  const auto least = [](const std::optional<Span>& span) {
    return Bound<double>(span ? std::optional(span->least) : std::nullopt);
  };
  const auto most = [](const std::optional<Span>& span) {
    return Bound<double>(span ? std::optional(span->most) : std::nullopt);
  };
  const long long id = entry.id;
  const long long width = entry.plate.width;
  const long long height = entry.plate.height;
  Bound<double> focal_least = least(entry.focal_mm);
  Bound<double> focal_most = most(entry.focal_mm);
  Bound<double> focus_least = least(entry.focus_per_m);
  Bound<double> focus_most = most(entry.focus_per_m);
  Bound<double> rms(entry.rms_px);
  Bound<double> map_sigma(entry.map_sigma_px);
  Bound<long long> older(entry.supersedes == 0 ? std::nullopt
                                               : std::optional<long long>(entry.supersedes));
  // The name is kept by reference until the statement has run.
  const auto use = [](auto& bound, const std::string& name) {
    return soci::use(bound.value, bound.indicator, name);
  };
  database.sql
      << "INSERT INTO calibration (id, lens_id, camera_id, states, focal_least_mm, focal_most_mm, "
         "focus_least_per_m, focus_most_per_m, lens_model, plate_width, plate_height, rms_px, "
         "map_sigma_px, calibrated_at, added_at, added_by, note, supersedes, document_sha256, "
         "checksum) VALUES (:id, :lens, :camera, :states, :focal_least, :focal_most, :focus_least, "
         ":focus_most, :model, :width, :height, :rms, :sigma, :calibrated, :added, :by, :note, "
         ":older, :document, :checksum)",
      soci::use(id, "id"), soci::use(lens, "lens"), soci::use(camera, "camera"),
      soci::use(entry.states, "states"), use(focal_least, "focal_least"),
      use(focal_most, "focal_most"), use(focus_least, "focus_least"), use(focus_most, "focus_most"),
      soci::use(entry.lens_model, "model"), soci::use(width, "width"), soci::use(height, "height"),
      use(rms, "rms"), use(map_sigma, "sigma"), soci::use(entry.calibrated_at, "calibrated"),
      soci::use(entry.added_at, "added"), soci::use(entry.added_by, "by"),
      soci::use(entry.note, "note"), use(older, "older"),
      soci::use(entry.document_sha256, "document"), soci::use(entry.checksum, "checksum");
}

}  // namespace

Result<Checked> check(const Filing& filing) {
  const Result<profile::Profile> profile = profile::parse_profile(filing.document, filing.source);
  if (!profile) return fail(profile.error());
  if (!filing.added_at.empty() && !is_utc_timestamp(filing.added_at)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: the moment it was filed is '{}', wanted UTC as "
                            "2031-05-04T10:20:30Z",
                            filing.source,
                            printable(filing.added_at)));
  }
  Checked result;
  Result<Entry> entry = entry_of(filing, *profile);
  if (!entry) return fail(entry.error());
  result.entry = std::move(*entry);
  result.derived = derive(*profile);
  result.words = words_of(result.entry, result.derived);
  for (const Attachment& attachment : filing.attachments) {
    if (attachment.content.size() > kMaxAttachmentBytes) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: has {} bytes, and an archive keeps files up to {}",
                              attachment.name,
                              attachment.content.size(),
                              kMaxAttachmentBytes));
    }
    Result<StoredAttachment> kept = stored(attachment);
    if (!kept) return fail(kept.error());
    result.attachments.push_back(std::move(*kept));
  }
  return result;
}

Result<Filed> write(Database& database, const Filing& filing, Checked checked) {
  Entry& entry = checked.entry;
  long long there = 0;
  database.sql << "SELECT coalesce(max(id), 0) FROM calibration WHERE document_sha256 = :digest",
      soci::use(entry.document_sha256, "digest"), soci::into(there);
  if (there != 0) {
    const Result<Entry> kept = read_entry(database, there);
    if (!kept) return fail(kept.error());
    return Filed{.id = there,
                 .was_there = true,
                 .not_taken = not_taken(database, *kept, filing, checked.attachments)};
  }

  const long long lens = thing_id(database,
                                  "lens",
                                  {{"maker", entry.lens.maker},
                                   {"model", entry.lens.model},
                                   {"series", entry.lens.series},
                                   {"serial", entry.lens.serial}});
  const long long camera = thing_id(
      database, "camera", {{"body", entry.body}, {"recording_mode", entry.recording_mode}});
  if (filing.supersedes.value_or(0) != 0) {
    if (Result<void> good = check_superseded(database, *filing.supersedes, entry, filing.source);
        !good) {
      return fail(good.error());
    }
  }
  entry.supersedes = filing.supersedes.value_or(current_id(database, lens, camera, entry));

  entry.id = newest_id(database) + 1;
  entry.added_at =
      filing.added_at.empty() ? utc_timestamp(std::chrono::system_clock::now()) : filing.added_at;
  const long long before = entry.id - 1;
  std::string previous;
  if (before > 0) {
    database.sql << "SELECT checksum FROM calibration WHERE id = :id", soci::use(before, "id"),
        soci::into(previous);
  }
  std::vector<AttachmentDigest> digests;
  for (const StoredAttachment& attachment : checked.attachments) {
    digests.push_back(attachment.digest);
  }
  const Result<std::string> checksum = checksum_of(entry, digests, previous);
  if (!checksum) return fail(checksum.error());
  entry.checksum = *checksum;

  insert_calibration(database, entry, lens, camera);
  const auto id = static_cast<long long>(entry.id);
  database.sql << "INSERT INTO document (calibration_id, content) VALUES (:id, :content)",
      soci::use(id, "id"), soci::use(filing.document, "content");
  for (std::size_t place = 0; place < checked.attachments.size(); ++place) {
    write_attachment(database, entry.id, place, checked.attachments[place]);
  }
  write_derived(database, entry.id, checked.derived);
  write_words(database, entry.id, checked.words);
  return Filed{.id = entry.id, .supersedes = entry.supersedes};
}

}  // namespace trueplate::archive::detail
