#pragma once

#include <string>
#include <vector>

#include "calib/archive/detail/contents.h"
#include "calib/archive/detail/database.h"
#include "calib/archive/detail/derive.h"
#include "calib/archive/filing.h"
#include "calib/base/result.h"

namespace trueplate::archive::detail {

/// A filing that was read and checked, ready to be written.
struct Checked {
  Entry entry;
  Derived derived;
  std::vector<StoredAttachment> attachments;
  std::vector<std::string> words;
};
Result<Checked> check(const Filing& filing);

/// Writes one calibration, inside a transaction of the caller's. Throws what the client library
/// throws.
Result<Filed> write(Database& database, const Filing& filing, Checked checked);

}  // namespace trueplate::archive::detail
