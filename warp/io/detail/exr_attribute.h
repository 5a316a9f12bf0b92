#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

namespace trueplate::warp::detail {

/// A string attribute and where its characters stand in the file.
struct LocatedText {
  std::uint64_t begin = 0;
  std::string text;
};

/// The string attribute `name` in the first header of an EXR file; nullopt when there is none, when
/// it is longer than `max_size`, or when the file is no EXR. The library tells the text but not its
/// place, which one needs to put a digest of the file into it.
/// Layout: OpenEXR File Layout, "Header": a magic number and a version, then attributes as name,
/// type, size and value until an empty name.
std::optional<LocatedText> find_text_attribute(const std::filesystem::path& path,
                                               std::string_view name,
                                               std::uint32_t max_size);

}  // namespace trueplate::warp::detail
