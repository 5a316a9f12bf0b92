#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/base/result.h"

namespace trueplate::cli {

/// The variable of the environment that names the archive where --archive does not.
inline constexpr const char* kArchiveVariable = "TRUEPLATE_ARCHIVE";

/// Opens the archive that the option names, else the environment.
Result<archive::Archive> open_archive(const std::string& option, archive::Absent absent);

/// Reports what went wrong with an archive: what was asked for wrongly is a wrong command line.
int report_archive(const Error& error);

/// The words and options that say which calibrations are meant.
struct Wanted {
  std::vector<std::string> words;
  std::string focal;
  std::string focus;
  std::string plate;
  std::string footage;
  archive::Query query;
};
void add_wanted(CLI::App& app, Wanted& wanted);

/// The question they ask. Errors: lengths and sizes that are none, a file that cannot be read.
Result<archive::Query> query_of(const Wanted& wanted);

/// The one calibration that is meant: by its id, or by words that fit a single current one. The
/// error lists the candidates when there are several.
Result<archive::Entry> single(const archive::Archive& archive, const Wanted& wanted);

}  // namespace trueplate::cli
