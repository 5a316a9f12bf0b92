#include "calib/archive/detail/database.h"

#include <fmt/format.h>
#include <libpq-fe.h>
#include <soci/postgresql/soci-postgresql.h>
#include <soci/sqlite3/soci-sqlite3.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <string_view>
#include <thread>
#include <utility>

namespace trueplate::archive::detail {
namespace {

/// How long a writer waits for another one.
constexpr int kBusySeconds = 60;

bool is_url(const std::string& location) {
  return location.starts_with("postgresql://") || location.starts_with("postgres://");
}

std::string one_line(std::string text) {
  std::replace(text.begin(), text.end(), '\n', ' ');
  while (!text.empty() && text.back() == ' ') text.pop_back();
  return text;
}

/// What a database says that people meet, and what helps.
struct Known {
  std::string_view sign;
  ErrorCode code;
  std::string_view remedy;
};
constexpr std::string_view kRestore = "restore it from a copy";
constexpr std::array kKnown{
    Known{"malformed", ErrorCode::kUnreadable, kRestore},
    Known{"not a database", ErrorCode::kUnreadable, kRestore},
    Known{"no such table", ErrorCode::kUnreadable, kRestore},
    Known{
        "readonly database",
        ErrorCode::kUnwritable,
        "you may not write to it, or to one of the files -wal and -shm beside it; ask their owner"},
    Known{"unable to open database file",
          ErrorCode::kUnreadable,
          "look who may read and write the file, its folder, and -wal and -shm beside it"},
    Known{"database is locked",
          ErrorCode::kUnwritable,
          "another program has kept it for itself for a minute; try again"},
    Known{"disk is full", ErrorCode::kUnwritable, "make room, then file again"}};

/// Without the name of the client library's function that met an error, and its own sentence.
std::string own_words(std::string text) {
  for (const std::string_view sentence : {std::string_view("Cannot establish connection to the "
                                                           "database. "),
                                          std::string_view("Cannot establish connection: ")}) {
    if (text.starts_with(sentence)) text.erase(0, sentence.size());
  }
  const std::size_t colon = text.find(": ");
  const std::size_t scope = text.find("_backend::");
  if (scope < colon && colon != std::string::npos) text.erase(0, colon + 2);
  return text;
}

/// Runs a statement that needs the file for itself for a moment, for which the database does not
/// wait by itself as it does for writing.
void run_when_free(Database& database, const std::string& statement) {
  constexpr std::chrono::milliseconds kPause(10);
  const auto end = std::chrono::steady_clock::now() + std::chrono::seconds(kBusySeconds);
  for (;;) {
    try {
      database.sql << statement;
      return;
    } catch (const soci::soci_error& error) {
      const bool busy = error.get_error_message().find("locked") != std::string::npos;
      if (!busy || std::chrono::steady_clock::now() > end) throw;
    }
    std::this_thread::sleep_for(kPause);
  }
}

Result<void> open_file(const std::string& location, FileAbsent absent, Database& database) {
  if (location.find('"') != std::string::npos) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: the name of an archive must not hold quotes", location));
  }
  Result<FileAccess> access = access_to(location, absent);
  if (!access) return fail(access.error());
  database.file = std::move(*access);
  database.sql.open(*soci::factory_sqlite3(),
                    fmt::format("db=\"{}\" timeout={}", database.file.location, kBusySeconds));
  run_when_free(database, "PRAGMA synchronous = FULL");
  run_when_free(database, "PRAGMA foreign_keys = ON");
  return {};
}

/// A URL as `key='value'` pairs, which is what the client library takes.
Result<std::string> pairs_of_url(const std::string& url) {
  char* complaint = nullptr;
  PQconninfoOption* options = PQconninfoParse(url.c_str(), &complaint);
  std::string pairs;
  for (const PQconninfoOption* option = options; option != nullptr && option->keyword != nullptr;
       ++option) {
    if (option->val == nullptr) continue;
    pairs += fmt::format("{}{}='", pairs.empty() ? "" : " ", option->keyword);
    for (const char c : std::string_view(option->val)) {
      if (c == '\'' || c == '\\') pairs += '\\';
      pairs += c;
    }
    pairs += '\'';
  }
  const std::string why = complaint == nullptr ? "" : one_line(complaint);
  PQconninfoFree(options);
  PQfreemem(complaint);
  if (!why.empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: is no URL of a database: {}", shown(url), why));
  }
  return pairs;
}

Result<void> open_url(const std::string& location, Database& database) {
  const Result<std::string> pairs = pairs_of_url(location);
  if (!pairs) return fail(pairs.error());
  database.sql.open(*soci::factory_postgresql(), *pairs);
  database.sql << "SET client_min_messages = warning";
  // A plan made without the values reads all calibrations for a word that few have. Servers before
  // version 12, which have no such setting, are left alone.
  database.sql << "SELECT set_config(name, 'force_custom_plan', false) FROM pg_settings "
                  "WHERE name = 'plan_cache_mode'";
  return {};
}

}  // namespace

std::string shown(const std::string& location) {
  if (!is_url(location)) return location;
  const std::size_t user = location.find("//") + 2;
  const std::size_t at = location.substr(0, location.find('/', user)).rfind('@');
  if (at == std::string::npos) return location;
  const std::size_t colon = location.find(':', user);
  if (colon == std::string::npos || colon > at) return location;
  return location.substr(0, colon) + location.substr(at);
}

Error error_of(const std::exception& exception, const Database& database) {
  using Category = soci::soci_error::error_category;
  ErrorCode code = ErrorCode::kUnwritable;
  std::string text = one_line(exception.what());
  if (const auto* error = dynamic_cast<const soci::soci_error*>(&exception)) {
    text = one_line(error->get_error_message());
    if (error->get_error_category() == Category::connection_error ||
        text.find("Cannot establish connection") != std::string::npos) {
      code = ErrorCode::kUnreadable;
    }
  }
  text = own_words(std::move(text));
  for (const Known& known : kKnown) {
    if (text.find(known.sign) == std::string::npos) continue;
    code = known.code;
    text += fmt::format("; {}", known.remedy);
    break;
  }
  return {code, fmt::format("{}: the database says: {}", database.name, text)};
}

void begin_log(Database& database) {
  if (database.dialect != Dialect::kSqlite || !database.file.unwritable.empty()) return;
  run_when_free(database, "PRAGMA journal_mode = WAL");
}

Result<void> check_still(const Database& database) {
  if (!database.file.still || stamp_of(database.name) == database.file.still) return {};
  return fail(ErrorCode::kUnreadable,
              fmt::format("{}: was written to while it was read; ask again", database.name));
}

Result<std::unique_ptr<Database>> connect(const std::string& location, FileAbsent absent) {
  auto database = std::make_unique<Database>();
  database->dialect = is_url(location) ? Dialect::kPostgres : Dialect::kSqlite;
  database->name = shown(location);
  Result<void> opened = guarded(*database, [&]() -> Result<void> {
    if (database->dialect == Dialect::kSqlite) return open_file(location, absent, *database);
    return open_url(location, *database);
  });
  if (!opened) return fail(opened.error());
  return database;
}

WriteTransaction::WriteTransaction(Database& database) : database_(database) {
  // Writers take turns from the start, so that none finds at its end that another came before.
  if (database_.dialect == Dialect::kSqlite) {
    database_.sql << "BEGIN IMMEDIATE";
    return;
  }
  database_.sql << "BEGIN";
  // The number stands for "writer of an archive" among the server's locks of this database.
  database_.sql << "SELECT 1 FROM pg_advisory_xact_lock(7823645091)";
}

WriteTransaction::~WriteTransaction() {
  if (!open_) return;
  try {
    database_.sql << "ROLLBACK";
  } catch (const std::exception&) {
    // The connection is gone; so is what was not committed.
  }
}

void WriteTransaction::commit() {
  database_.sql << "COMMIT";
  open_ = false;
}

}  // namespace trueplate::archive::detail
