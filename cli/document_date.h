#pragma once

#include <string>

#include "calib/base/result.h"

namespace trueplate::cli {

/// The date on a document: what --date asks for, else the moment that SOURCE_DATE_EPOCH names
/// (reproducible-builds.org), else today. Errors: either is no date.
Result<std::string> document_date(const std::string& asked);

}  // namespace trueplate::cli
