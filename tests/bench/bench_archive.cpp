// Finding in an archive of 100,000 calibrations, beside the same question put to the database
// itself in one bare statement that was prepared before: SQLite, and the PostgreSQL that
// TRUEPLATE_TEST_POSTGRES names (tests/calib/archive/with_postgres.sh starts one). The answers are
// compared before anything is timed. TRUEPLATE_BENCH_CALIBRATIONS sets another number;
// TRUEPLATE_BENCH_ARCHIVE a file that is kept, so that filling it is paid for once.

#include <benchmark/benchmark.h>
#include <fmt/format.h>
#include <libpq-fe.h>
#include <sqlite3.h>

#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/profile/profile.h"

namespace {

using namespace trueplate;

[[noreturn]] void stop(const std::string& message) {
  fmt::print(stderr, "bench_archive: {}\n", message);
  std::exit(1);
}

/// A calibration of an invented lens; eight focus distances of each.
archive::Filing filing_of(int number) {
  constexpr double kFocals[] = {14.0, 18.0, 21.0, 25.0, 28.0, 35.0, 40.0, 50.0, 65.0, 85.0};
  constexpr double kFocus[] = {0.6, 0.9, 1.3, 2.0, 3.5, 7.0, 15.0, 40.0};
  profile::Profile profile;
  profile.labels.lens = fmt::format("Invented {}", number % 97);
  profile.labels.serial = fmt::format("S-{:06}", number / 8);
  profile::Station& station = profile.stations.emplace_back();
  station.nominal_focal_mm = kFocals[number / 8 % 10];
  station.focus_m = kFocus[number % 8];
  station.lens.plate_size = {1920, 1080};
  station.lens.focal_px = {1800.0 + number * 1e-3, 1800.0};
  station.lens.principal_point_px = {960.0, 540.0};
  profile.provenance.created = "2031-05-04T10:20:30Z";
  profile.provenance.program = "bench";
  profile.provenance.program_version = "0.1";
  profile.provenance.method = "invented";
  Result<std::string> text = profile::profile_text(profile);
  if (!text) stop(text.error().message);
  archive::Filing filing;
  filing.document = *std::move(text);
  filing.source = fmt::format("{}.json", number);
  filing.added_by = "bench";
  return filing;
}

/// The archive, filled where it is not.
archive::Archive filled(const std::string& path, int count) {
  Result<archive::Archive> archive = archive::Archive::open(path, archive::Absent::kCreate);
  if (!archive) stop(archive.error().message);
  constexpr int kAtOnce = 1000;
  const auto last = archive->entry(count);
  for (int i = 0; i < count && !last; i += kAtOnce) {
    std::vector<archive::Filing> filings;
    for (int k = i; k < std::min(count, i + kAtOnce); ++k) filings.push_back(filing_of(k));
    if (const auto added = archive->add(filings); !added) stop(added.error().message);
  }
  return *std::move(archive);
}

std::string bare_text(const std::string& where) {
  return "SELECT c.*, l.*, k.*, n.id FROM calibration c JOIN lens l ON l.id = c.lens_id JOIN "
         "camera k ON k.id = c.camera_id LEFT JOIN calibration n ON n.supersedes = c.id WHERE n.id "
         "IS NULL AND " +
         where + " LIMIT 50";
}

/// One bare statement, prepared once, that yields all columns a listing shows.
class Bare {
 public:
  virtual ~Bare() = default;
  /// The ids found; every column is read.
  virtual std::vector<std::int64_t> run() = 0;
};

class BareSqlite : public Bare {
 public:
  BareSqlite(const std::string& path, const std::string& where) {
    if (sqlite3_open_v2(path.c_str(), &database_, SQLITE_OPEN_READONLY, nullptr) != SQLITE_OK ||
        sqlite3_prepare_v2(database_, bare_text(where).c_str(), -1, &statement_, nullptr) !=
            SQLITE_OK) {
      stop(sqlite3_errmsg(database_));
    }
  }
  BareSqlite(const BareSqlite&) = delete;
  BareSqlite& operator=(const BareSqlite&) = delete;
  ~BareSqlite() override {
    sqlite3_finalize(statement_);
    sqlite3_close(database_);
  }

  std::vector<std::int64_t> run() override {
    std::vector<std::int64_t> ids;
    while (sqlite3_step(statement_) == SQLITE_ROW) {
      for (int i = 0; i < sqlite3_column_count(statement_); ++i) {
        benchmark::DoNotOptimize(sqlite3_column_text(statement_, i));
      }
      ids.push_back(sqlite3_column_int64(statement_, 0));
    }
    sqlite3_reset(statement_);
    return ids;
  }

 private:
  sqlite3* database_ = nullptr;
  sqlite3_stmt* statement_ = nullptr;
};

class BarePostgres : public Bare {
 public:
  BarePostgres(const std::string& url, const std::string& where)
      : connection_(PQconnectdb(url.c_str())) {
    PGresult* const result = PQprepare(connection_, "bare", bare_text(where).c_str(), 0, nullptr);
    if (PQresultStatus(result) != PGRES_COMMAND_OK) stop(PQerrorMessage(connection_));
    PQclear(result);
  }
  BarePostgres(const BarePostgres&) = delete;
  BarePostgres& operator=(const BarePostgres&) = delete;
  ~BarePostgres() override { PQfinish(connection_); }

  std::vector<std::int64_t> run() override {
    PGresult* const result = PQexecPrepared(connection_, "bare", 0, nullptr, nullptr, nullptr, 0);
    std::vector<std::int64_t> ids;
    for (int row = 0; row < PQntuples(result); ++row) {
      for (int i = 0; i < PQnfields(result); ++i) {
        benchmark::DoNotOptimize(PQgetvalue(result, row, i));
      }
      ids.push_back(std::atoll(PQgetvalue(result, row, 0)));
    }
    PQclear(result);
    return ids;
  }

 private:
  PGconn* connection_;
};

struct Question {
  const char* name;
  archive::Query query;
  std::string where;
};

/// What is asked, and how a person who knows the tables would ask SQLite.
std::vector<Question> questions() {
  archive::Query serial;
  serial.serial = "S-000100";
  archive::Query near;
  near.focal_mm = 35.0;
  near.focus_m = 2.0;
  archive::Query words;
  words.words = {"inv", "000100"};
  return {
      {"words",
       words,
       "c.id IN (SELECT calibration_id FROM word WHERE word >= '000100' AND word < '000101') AND "
       "EXISTS (SELECT 1 FROM word w WHERE w.calibration_id = c.id AND w.word >= 'inv' AND w.word "
       "< 'inw') ORDER BY c.id DESC"},
      {"serial",
       serial,
       "c.id IN (SELECT calibration_id FROM word WHERE word = 'serial:s-000100') ORDER BY c.id "
       "DESC"},
      {"35mm near 2 m",
       near,
       "c.focal_least_mm <= 36.05 AND c.focal_most_mm >= 33.95 AND c.focus_least_per_m <= 0.6 "
       "AND c.focus_most_per_m >= 0.4 ORDER BY CASE WHEN c.focus_least_per_m > 0.5 THEN "
       "c.focus_least_per_m - 0.5 WHEN c.focus_most_per_m < 0.5 THEN 0.5 - c.focus_most_per_m "
       "ELSE 0 END, c.id DESC"}};
}

/// Puts every question to the archive and to the database itself, and both on the list of what is
/// timed. The archive has to stay.
template <class BareKind>
void register_all(const archive::Archive& archive,
                  const std::string& location,
                  const std::string& kind,
                  const std::vector<Question>& all) {
  for (const Question& question : all) {
    auto bare = std::make_shared<BareKind>(location, question.where);
    const auto entries = archive.find(question.query);
    if (!entries) stop(entries.error().message);
    std::vector<std::int64_t> ids;
    for (const archive::Entry& entry : *entries) ids.push_back(entry.id);
    if (ids.empty() || ids != bare->run()) {
      stop(fmt::format("{}: {} found, {} finds others", question.name, ids.size(), kind));
    }
    const auto name = [&](const char* who) {
      return fmt::format("{}/{}/{}", kind, question.name, who);
    };
    benchmark::RegisterBenchmark(name("find").c_str(),
                                 [&archive, &question](benchmark::State& state) {
                                   for (auto _ : state) {
                                     benchmark::DoNotOptimize(archive.find(question.query));
                                   }
                                 })
        ->Unit(benchmark::kMicrosecond);
    benchmark::RegisterBenchmark(name("bare").c_str(), [bare](benchmark::State& state) {
      for (auto _ : state) benchmark::DoNotOptimize(bare->run());
    })->Unit(benchmark::kMicrosecond);
  }
}

}  // namespace

int main(int argc, char** argv) {
  const char* const number = std::getenv("TRUEPLATE_BENCH_CALIBRATIONS");
  const char* const kept = std::getenv("TRUEPLATE_BENCH_ARCHIVE");
  const char* const server = std::getenv("TRUEPLATE_TEST_POSTGRES");
  const int count = number != nullptr ? std::max(1000, std::atoi(number)) : 100000;
  const std::string path =
      kept != nullptr
          ? std::string(kept)
          : (std::filesystem::temp_directory_path() / "trueplate_bench.archive").string();
  const std::vector<Question> all = questions();
  const archive::Archive file = filled(path, count);
  register_all<BareSqlite>(file, path, "sqlite", all);
  std::optional<archive::Archive> database;
  if (server != nullptr) {
    database = filled(server, count);
    register_all<BarePostgres>(*database, server, "postgresql", all);
  }
  benchmark::Initialize(&argc, argv);
  benchmark::RunSpecifiedBenchmarks();
  if (kept == nullptr) {
    for (const char* end : {"", "-wal", "-shm"}) std::filesystem::remove(path + end);
  }
  return 0;
}
