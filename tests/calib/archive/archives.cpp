#include "tests/calib/archive/archives.h"

#include <doctest/doctest.h>
#include <soci/postgresql/soci-postgresql.h>
#include <soci/soci.h>
#include <soci/sqlite3/soci-sqlite3.h>

#include <cstdlib>

#include "tests/calib/profile/example_profile.h"

namespace trueplate::tests {
namespace {

void connect(soci::session& session, const ArchivePlace& place) {
  if (place.kind == "SQLite") {
    session.open(*soci::factory_sqlite3(), "db=\"" + place.location + "\" timeout=20");
  } else {
    // The client library wants pairs: postgresql://tester@127.0.0.1:PORT/NAME.
    const std::string& url = place.location;
    const std::size_t colon = url.rfind(':');
    const std::size_t slash = url.rfind('/');
    session.open(*soci::factory_postgresql(),
                 "host=127.0.0.1 user=tester port=" + url.substr(colon + 1, slash - colon - 1) +
                     " dbname=" + url.substr(slash + 1));
  }
}

}  // namespace

std::vector<ArchivePlace> archive_places(const ScratchFolder& folder) {
  static int number = 0;
  ++number;
  std::vector<ArchivePlace> places{
      {"SQLite", (folder.path() / ("lenses" + std::to_string(number) + ".archive")).string()}};
  const char* url = std::getenv("TRUEPLATE_TEST_POSTGRES");
  if (url == nullptr) {
    MESSAGE("skipped: PostgreSQL, because TRUEPLATE_TEST_POSTGRES names no server");
    return places;
  }
  const std::string name = "lenses" + std::to_string(number);
  send_sql({"PostgreSQL", url}, "CREATE DATABASE " + name);
  std::string own = url;
  places.push_back({"PostgreSQL", own.substr(0, own.rfind('/') + 1) + name});
  return places;
}

std::string send_sql(const ArchivePlace& place, const std::string& sql) {
  try {
    soci::session session;
    connect(session, place);
    session << sql;
    return {};
  } catch (const std::exception& exception) {
    return exception.what();
  }
}

profile::Profile lens_profile(const LensWords& words) {
  profile::Profile result = example_profile();
  result.stations.resize(1);
  result.labels.serial = words.serial;
  result.labels.lens = words.model;
  result.stations[0].nominal_focal_mm = words.focal_mm;
  result.stations[0].focus_m = words.focus_m;
  result.stations[0].quality->rms_px = words.rms_px;
  return result;
}

archive::Filing filing_of(const profile::Profile& profile) {
  archive::Filing filing;
  filing.source = "lens.json";
  const Result<std::string> text = profile::profile_text(profile);
  REQUIRE_MESSAGE(text.has_value(), (text ? "" : text.error().message));
  filing.document = *text;
  filing.added_by = "mira";
  return filing;
}

archive::Filing filing_of(const LensWords& words) { return filing_of(lens_profile(words)); }

archive::Archive open_archive(const ArchivePlace& place) {
  Result<archive::Archive> archive =
      archive::Archive::open(place.location, archive::Absent::kCreate);
  REQUIRE_MESSAGE(archive.has_value(), (archive ? "" : archive.error().message));
  return std::move(*archive);
}

archive::Filed file_one(archive::Archive& archive, const archive::Filing& filing) {
  const Result<std::vector<archive::Filed>> filed = archive.add({&filing, 1});
  REQUIRE_MESSAGE(filed.has_value(), (filed ? "" : filed.error().message));
  return filed->front();
}

}  // namespace trueplate::tests
