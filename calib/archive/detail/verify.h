#pragma once

#include "calib/archive/archive.h"
#include "calib/archive/detail/database.h"

namespace trueplate::archive::detail {

/// See Archive::verify(). Throws what the client library throws.
Result<Verification> verify(const Database& database, const VerifyOptions& options);

}  // namespace trueplate::archive::detail
