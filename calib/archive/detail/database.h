#pragma once

#include <soci/soci.h>

#include <exception>
#include <map>
#include <memory>
#include <string>

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
};

/// Whether a file that does not exist is made.
enum class FileAbsent { kRefuse, kCreate };

/// Connects, and sets what each connection needs. Does not look at tables.
Result<std::unique_ptr<Database>> connect(const std::string& location, FileAbsent absent);

/// The location for showing: a URL without its password.
[[nodiscard]] std::string shown(const std::string& location);

/// What an exception of the client library means to the caller.
[[nodiscard]] Error error_of(const std::exception& exception, const Database& database);

/// Runs `work` and turns what the client library throws into an Error.
template <class Work>
auto guarded(const Database& database, Work&& work) -> decltype(work()) {
  try {
    return work();
  } catch (const std::exception& exception) {
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
