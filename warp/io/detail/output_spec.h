#pragma once

#include <OpenImageIO/imageio.h>

#include <filesystem>
#include <optional>

#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "warp/io/detail/compression.h"
#include "warp/io/detail/display_samples.h"

// What a DPX, TIFF, PNG or JPEG of a frame is to be.
namespace trueplate::warp::detail {

/// The channels of a file and how they relate to alpha. W3C PNG, 6.2: colour is not multiplied by
/// alpha; of TIFF the header says which, and DPX does not say. kUnsupported, naming `shown_path`,
/// when the frame has none that the format could show.
Result<Places> places_for(const std::filesystem::path& shown_path,
                          FileKind kind,
                          const footage::Frame& frame);

/// The samples that hold all of these channels, as far as files of this kind have any.
[[nodiscard]] footage::SampleFormat format_in(FileKind kind,
                                              const footage::Frame& frame,
                                              const Places& places);

/// The header: that of the frame's own file but for what described its pixels.
[[nodiscard]] OIIO::ImageSpec output_spec(FileKind kind,
                                          const std::optional<Compression>& compression,
                                          const footage::Frame& frame,
                                          const Places& places,
                                          footage::SampleFormat format);

}  // namespace trueplate::warp::detail
