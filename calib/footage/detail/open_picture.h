#pragma once

#include <OpenImageIO/imageio.h>

#include <string>

namespace trueplate::footage::detail {

// OpenImageIO 2.4 keeps the names of ICC tags in a table that every picture with a colour profile
// reads and may add to, without a lock: headers are therefore read one at a time. Pixels are not.

/// ImageInput::open(); what it could not, the input's geterror() says.
[[nodiscard]] bool open_picture(OIIO::ImageInput& input,
                                const std::string& path,
                                OIIO::ImageSpec& spec,
                                const OIIO::ImageSpec& config);

/// Whether the file holds another picture behind the first.
[[nodiscard]] bool has_second_picture(OIIO::ImageInput& input);

}  // namespace trueplate::footage::detail
