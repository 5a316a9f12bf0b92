#include "calib/archive/detail/schema.h"

#include <fmt/format.h>

#include <array>
#include <string>
#include <string_view>
#include <vector>

namespace trueplate::archive::detail {
namespace {

/// In the header of the file: tells an archive from other SQLite databases ("TPLA").
constexpr int kApplicationId = 0x54504c41;

/// What brings the tables from one version to the next; @words differ between databases. Never
/// changed once released: an archive may stand at any version.
constexpr std::array kMigrations{std::string_view(R"sql(
CREATE TABLE lens (
  id @KEY,
  maker TEXT NOT NULL, model TEXT NOT NULL, series TEXT NOT NULL, serial TEXT NOT NULL,
  UNIQUE (maker, model, series, serial));
CREATE TABLE camera (
  id @KEY,
  body TEXT NOT NULL, recording_mode TEXT NOT NULL,
  UNIQUE (body, recording_mode));
CREATE TABLE calibration (
  id @KEY,
  lens_id BIGINT NOT NULL REFERENCES lens (id),
  camera_id BIGINT NOT NULL REFERENCES camera (id),
  states TEXT NOT NULL,
  focal_least_mm DOUBLE PRECISION, focal_most_mm DOUBLE PRECISION,
  focus_least_per_m DOUBLE PRECISION, focus_most_per_m DOUBLE PRECISION,
  lens_model TEXT NOT NULL,
  plate_width BIGINT NOT NULL, plate_height BIGINT NOT NULL,
  rms_px DOUBLE PRECISION, map_sigma_px DOUBLE PRECISION,
  calibrated_at TEXT NOT NULL,
  added_at TEXT NOT NULL, added_by TEXT NOT NULL, note TEXT NOT NULL,
  supersedes BIGINT UNIQUE REFERENCES calibration (id),
  document_sha256 TEXT NOT NULL UNIQUE,
  checksum TEXT NOT NULL UNIQUE);
CREATE INDEX calibration_of_lens ON calibration (lens_id);
CREATE INDEX calibration_range ON calibration
  (focal_least_mm, focal_most_mm, focus_least_per_m, focus_most_per_m);
CREATE TABLE document (
  calibration_id @KEY REFERENCES calibration (id),
  content TEXT NOT NULL);
CREATE TABLE attachment (
  calibration_id BIGINT NOT NULL REFERENCES calibration (id),
  place BIGINT NOT NULL,
  kind TEXT NOT NULL, name TEXT NOT NULL, sha256 TEXT NOT NULL,
  content_base64 TEXT NOT NULL,
  PRIMARY KEY (calibration_id, place));
CREATE TABLE station (
  calibration_id BIGINT NOT NULL REFERENCES calibration (id),
  place BIGINT NOT NULL,
  focal_mm DOUBLE PRECISION, focus_per_m DOUBLE PRECISION, t_stop DOUBLE PRECISION,
  lens_model TEXT NOT NULL,
  rms_px DOUBLE PRECISION, map_sigma_px DOUBLE PRECISION,
  PRIMARY KEY (calibration_id, place));
CREATE TABLE footage (
  calibration_id BIGINT NOT NULL REFERENCES calibration (id),
  place BIGINT NOT NULL,
  name TEXT NOT NULL, sha256 TEXT NOT NULL,
  PRIMARY KEY (calibration_id, place));
CREATE TABLE word (
  word TEXT @BYTES NOT NULL,
  calibration_id BIGINT NOT NULL REFERENCES calibration (id),
  PRIMARY KEY (word, calibration_id)) @COMPACT;
CREATE INDEX word_of_calibration ON word (calibration_id);
)sql")};

constexpr std::array<std::string_view, 8> kTables{
    "lens", "camera", "calibration", "document", "attachment", "station", "footage", "word"};

std::string replaced(std::string text, std::string_view from, std::string_view to) {
  for (std::size_t at = text.find(from); at != std::string::npos; at = text.find(from, at)) {
    text.replace(at, from.size(), to);
    at += to.size();
  }
  return text;
}

/// The statements of a migration in one dialect.
std::vector<std::string> statements(std::string_view migration, Dialect dialect) {
  const bool sqlite = dialect == Dialect::kSqlite;
  std::string text(migration);
  text = replaced(text, "@KEY", sqlite ? "INTEGER PRIMARY KEY" : "BIGINT PRIMARY KEY");
  text = replaced(text, "@BYTES", sqlite ? "" : "COLLATE \"C\"");
  text = replaced(text, "@COMPACT", sqlite ? "WITHOUT ROWID" : "");
  std::vector<std::string> result;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = text.find(';', at);
    if (end == std::string::npos) break;
    result.push_back(text.substr(at, end - at));
    at = end + 1;
  }
  return result;
}

/// What refuses to change or remove rows, whoever asks.
std::vector<std::string> guards(Dialect dialect) {
  std::vector<std::string> result;
  if (dialect == Dialect::kPostgres) {
    result.emplace_back(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'an archive is added to, never changed'; END $$");
  }
  for (const std::string_view table : kTables) {
    if (dialect == Dialect::kPostgres) {
      result.push_back(
          fmt::format("CREATE TRIGGER keep_{0} BEFORE UPDATE OR DELETE OR TRUNCATE ON {0} "
                      "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()",
                      table));
      continue;
    }
    for (const std::string_view action : {"UPDATE", "DELETE"}) {
      result.push_back(
          fmt::format("CREATE TRIGGER keep_{0}_{1} BEFORE {1} ON {0} BEGIN "
                      "SELECT RAISE(ABORT, 'an archive is added to, never changed'); END",
                      table,
                      action));
    }
  }
  return result;
}

long long count(Database& database, const std::string& query) {
  long long result = 0;
  database.sql << query, soci::into(result);
  return result;
}

/// Whether the database holds any table, and the one that every archive has.
struct Tables {
  bool any = false;
  bool ours = false;
};

Tables tables_of(Database& database) {
  const std::string all = database.dialect == Dialect::kSqlite
                              ? "SELECT count(*) FROM sqlite_master WHERE type = 'table'"
                              : "SELECT count(*) FROM information_schema.tables "
                                "WHERE table_schema = current_schema()";
  const std::string name = database.dialect == Dialect::kSqlite ? "name" : "table_name";
  return {.any = count(database, all) > 0,
          .ours = count(database, fmt::format("{} AND {} = 'archive_version'", all, name)) > 0};
}

Result<long long> version_of(Database& database) {
  const Tables tables = tables_of(database);
  if (!tables.any) return 0LL;
  if (!tables.ours) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format("{}: is a database, but no archive of lenses; name another", database.name));
  }
  return count(database, "SELECT max(version) FROM archive_version");
}

Result<void> check_version(const Database& database, long long version) {
  const auto newest = static_cast<long long>(kMigrations.size());
  if (version <= newest) return {};
  return fail(ErrorCode::kUnreadable,
              fmt::format("{}: is an archive of version {}, and this program knows up to {}; "
                          "install a newer one",
                          database.name,
                          version,
                          newest));
}

}  // namespace

Result<void> prepare_tables(Database& database, FileAbsent absent) {
  return guarded(database, [&]() -> Result<void> {
    const auto newest = static_cast<long long>(kMigrations.size());
    Result<long long> version = version_of(database);
    if (!version) return fail(version.error());
    if (*version == 0 && absent == FileAbsent::kRefuse) {
      return fail(ErrorCode::kNotFound,
                  fmt::format("{}: holds no archive; `archive add` begins one", database.name));
    }
    if (Result<void> known = check_version(database, *version); !known) return known;
    begin_log(database);
    if (*version == newest) return {};

    WriteTransaction transaction(database);
    version = version_of(database);  // another process may have been first
    if (!version) return fail(version.error());
    if (*version == 0) {
      database.sql << "CREATE TABLE archive_version (version BIGINT PRIMARY KEY)";
    }
    for (long long next = *version; next < newest; ++next) {
      for (const std::string& text :
           statements(kMigrations[static_cast<std::size_t>(next)], database.dialect)) {
        database.sql << text;
      }
      database.sql << fmt::format("INSERT INTO archive_version VALUES ({})", next + 1);
    }
    if (*version == 0) {
      for (const std::string& text : guards(database.dialect)) database.sql << text;
      if (database.dialect == Dialect::kSqlite) {
        database.sql << fmt::format("PRAGMA application_id = {}", kApplicationId);
      }
    }
    transaction.commit();
    return {};
  });
}

}  // namespace trueplate::archive::detail
