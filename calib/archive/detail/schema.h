#pragma once

#include "calib/archive/detail/database.h"
#include "calib/base/result.h"

namespace trueplate::archive::detail {

/// Makes the tables of an archive that has none, and brings those of an older one up to date. An
/// archive of a newer version, and a database of something else, are refused; so is one without
/// tables unless `absent` allows to make them.
///
/// Tables: lens and camera (the things), calibration (one row a record), document and attachment
/// (their content), station and footage (what the document holds, for questions in SQL), word (by
/// which calibrations are found). Triggers refuse to change or remove rows.
Result<void> prepare_tables(Database& database, FileAbsent absent);

}  // namespace trueplate::archive::detail
