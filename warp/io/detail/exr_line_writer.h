#pragma once

#include <OpenEXR/ImfHeader.h>

#include <string>

#include "calib/base/result.h"
#include "warp/io/detail/checked_file.h"
#include "warp/io/detail/exr_writer.h"

namespace trueplate::warp::detail {

/// Writes a file of one part whose lines lie in it as footage::detail::ExrLine says. The library
/// makes the header; the lines go to the file as they are made, from front to back, so that their
/// digest is known at the end. `name` is that of the file, for messages. Errors: those of the rows'
/// makers; what goes wrong with `file` shows there. Throws what OpenEXR throws at a header it does
/// not take.
Result<ExrWritten> write_lines(CheckedFile& file,
                               const std::string& name,
                               const Imf::Header& header,
                               const ExrPicture& picture,
                               int threads);

}  // namespace trueplate::warp::detail
