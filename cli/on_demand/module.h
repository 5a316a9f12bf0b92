#pragma once

#include <string_view>

#include "calib/base/result.h"

namespace trueplate::cli {

/// Loads a part of the program that brings libraries which take long to load: most commands need
/// none of it. The parts lie beside the program (build tree) or in the library folder of its
/// installation; the program's run path names both.
/// name    of the file, without its ending
/// entry   name of the C function to call; it returns a table of functions
/// what    the part in words, for messages: "what reads movies"
/// errors  kUnsupported: it is absent, or one of its libraries is
Result<const void*> load_module(std::string_view name,
                                std::string_view entry,
                                std::string_view what);

}  // namespace trueplate::cli
