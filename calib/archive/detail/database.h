#pragma once

#include <soci/soci.h>

#include <exception>
#include <map>
#include <memory>
#include <string>

#include "calib/archive/detail/file_access.h"
#include "calib/base/result.h"

namespace trueplate::archive::detail {

enum class Dialect { kSqlite, kPostgres };

/// An open connection.
struct Database {
  Dialect dialect = Dialect::kSqlite;
  std::string name;  // the location for showing
  mutable soci::session sql;
  /// Questions that stay prepared, by their text; what they are is known to those who ask. To
  /// prepare one takes several times as long as a short answer.
  mutable std::map<std::string, std::shared_ptr<void>> prepared = {};
  /// How the file is used; of a server nothing.
  FileAccess file = {};
};

/// Connects, and sets what each connection needs. Does not look at tables.
Result<std::unique_ptr<Database>> connect(const std::string& location, FileAbsent absent);

/// From now on changes of a file go to a log beside it, so readers go on while somebody writes; a
/// change that was committed is on disk. Changes the file, so it has to be known for an archive.
/// Does nothing on a server, or where the file is only read.
void begin_log(Database& database);

/// Fails when a file that is read without locks was written to since it was opened: what was read
/// may be of two times.
Result<void> check_still(const Database& database);

/// The location for showing: a URL without its password.
[[nodiscard]] std::string shown(const std::string& location);

/// What an exception of the client library means to the caller.
[[nodiscard]] Error error_of(const std::exception& exception, const Database& database);

/// Runs `work` and turns what the client library throws into an Error.
template <class Work>
auto guarded(const Database& database, Work&& work) -> decltype(work()) {
  try {
    auto result = work();
    if (Result<void> still = check_still(database); !still) return fail(still.error());
    return result;
  } catch (const std::exception& exception) {
    if (Result<void> still = check_still(database); !still) return fail(still.error());
    return fail(error_of(exception, database));
  }
}

/// One change of the database, of one writer at a time; readers go on. Undone unless commit() is
/// called. Throws what the client library throws.
class WriteTransaction {
 public:
  explicit WriteTransaction(Database& database);
  ~WriteTransaction();
  WriteTransaction(const WriteTransaction&) = delete;
  WriteTransaction& operator=(const WriteTransaction&) = delete;
  void commit();

 private:
  Database& database_;
  bool open_ = true;
};

}  // namespace trueplate::archive::detail
