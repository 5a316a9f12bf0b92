#include "calib/archive/detail/database.h"

#include <fmt/format.h>
#include <libpq-fe.h>
#include <soci/postgresql/soci-postgresql.h>
#include <soci/sqlite3/soci-sqlite3.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <string_view>
#include <system_error>
#include <thread>

namespace trueplate::archive::detail {
namespace {

namespace fs = std::filesystem;

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

Result<void> check_file(const fs::path& path, FileAbsent absent) {
  std::error_code code;
  const fs::file_status status = fs::status(path, code);
  if (!fs::exists(status)) {
    if (absent == FileAbsent::kRefuse) {
      return fail(ErrorCode::kNotFound,
                  fmt::format("{}: no such archive; `archive add` begins one", path.string()));
    }
    const fs::path folder = path.has_parent_path() ? path.parent_path() : fs::path(".");
    if (!fs::is_directory(folder, code)) {
      return fail(ErrorCode::kNotFound,
                  fmt::format("{}: no such folder for an archive", folder.string()));
    }
    return {};
  }
  if (!fs::is_regular_file(status)) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: not a file", path.string()));
  }
  constexpr std::string_view kMagic("SQLite format 3\0", 16);
  std::array<char, kMagic.size()> start{};
  std::ifstream file(path, std::ios::binary);
  file.read(start.data(), start.size());
  if (!file.is_open() || file.bad()) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: cannot be read", path.string()));
  }
  // An empty file is what a writer leaves that was killed while it began an archive.
  const auto count = static_cast<std::size_t>(file.gcount());
  if (count == 0 || std::string_view(start.data(), count) == kMagic) return {};
  return fail(ErrorCode::kUnreadable,
              fmt::format("{}: is no archive (its first bytes are those of no SQLite database)",
                          path.string()));
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
  if (Result<void> good = check_file(location, absent); !good) return good;
  if (location.find('"') != std::string::npos) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: the name of an archive must not hold quotes", location));
  }
  database.sql.open(*soci::factory_sqlite3(),
                    fmt::format("db=\"{}\" timeout={}", location, kBusySeconds));
  // Changes go to a log beside the file, so readers go on while somebody writes; a change that was
  // committed is on disk.
  run_when_free(database, "PRAGMA journal_mode = WAL");
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
  if (text.find("malformed") != std::string::npos ||
      text.find("not a database") != std::string::npos ||
      text.find("no such table") != std::string::npos) {
    code = ErrorCode::kUnreadable;
    text += "; restore it from a copy";
  }
  return {code, fmt::format("{}: the database says: {}", database.name, text)};
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
