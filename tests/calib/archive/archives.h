#pragma once

#include <optional>
#include <string>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/profile/profile.h"
#include "tests/support/test_data.h"

namespace trueplate::tests {

/// A fresh place for an archive of each kind of database, in turn.
struct ArchivePlace {
  std::string kind;      // "SQLite" or "PostgreSQL"
  std::string location;  // for Archive::open()
};

/// The places there are: a file in `folder`, and a database on the server that
/// TRUEPLATE_TEST_POSTGRES names. Says "skipped" when there is no server.
std::vector<ArchivePlace> archive_places(const ScratchFolder& folder);

/// Sends SQL to the database itself, past the archive; an empty text when it was accepted, else
/// what the database says.
std::string send_sql(const ArchivePlace& place, const std::string& sql);

/// What tells one invented lens from another.
struct LensWords {
  std::string serial = "A-1001";
  std::string model = "Lumen Vista 35";
  double focal_mm = 35.0;
  double focus_m = 2.5;
  double rms_px = 0.1;
};
profile::Profile lens_profile(const LensWords& words);
archive::Filing filing_of(const profile::Profile& profile);
archive::Filing filing_of(const LensWords& words);

archive::Archive open_archive(const ArchivePlace& place);
/// Files one; it has to be accepted.
archive::Filed file_one(archive::Archive& archive, const archive::Filing& filing);

}  // namespace trueplate::tests
