#pragma once

#include <OpenEXR/ImfHeader.h>

#include <string>
#include <vector>

#include "warp/io/lens_attributes.h"

namespace trueplate::warp::detail {

/// add_lens_attributes() for a header; returns a phrase for each attribute that says otherwise.
std::vector<std::string> add_lens_attributes(Imf::Header& header, const LensAttributes& attributes);

}  // namespace trueplate::warp::detail
