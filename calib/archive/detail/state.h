#pragma once

#include <memory>

#include "calib/archive/archive.h"
#include "calib/archive/detail/database.h"

namespace trueplate::archive {

struct Archive::State {
  std::unique_ptr<detail::Database> database;
};

}  // namespace trueplate::archive
