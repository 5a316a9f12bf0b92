#pragma once

#include <OpenEXR/ImfHeader.h>

#include <vector>

#include "calib/footage/frame.h"

namespace trueplate::footage::detail {

/// Sets Channel::has_id_table for the channels to whose values a table of `header` gives names:
///   - idManifest, the OpenEXR standard attribute, lists its channels;
///   - text attributes GROUP/name and GROUP/manifest..., common practice in renders of ID and
///     coverage pairs: the channels of all layers that are called as GROUP/name says, with or
///     without a number after it.
/// A table that cannot be read, or that promises more than kMaxTableBytes, marks nothing.
void mark_id_channels(const Imf::Header& header, std::vector<Channel>& channels);

inline constexpr std::size_t kMaxTableBytes = std::size_t{64} << 20;

}  // namespace trueplate::footage::detail
