#pragma once

#include <cstdint>
#include <vector>

#include "calib/archive/detail/database.h"
#include "calib/archive/filing.h"
#include "calib/archive/query.h"
#include "calib/base/result.h"

namespace trueplate::archive::detail {

/// The calibrations a query finds. Throws what the client library throws.
std::vector<Entry> find_entries(const Database& database, const Query& query);

/// One calibration; kNotFound names the id and how many there are.
Result<Entry> read_entry(const Database& database, std::int64_t id);

/// Every calibration of the lens of `id`, oldest first.
std::vector<Entry> lens_entries(const Database& database, std::int64_t id);

/// The highest id; 0 when nothing is filed.
std::int64_t newest_id(const Database& database);

}  // namespace trueplate::archive::detail
