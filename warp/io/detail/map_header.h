#pragma once

#include <OpenEXR/ImfHeader.h>

#include <filesystem>
#include <optional>
#include <string>

#include "calib/base/result.h"
#include "warp/st_map.h"

// The attributes in which an ST-map's header states its conventions; docs/st-map.md lists them.
namespace trueplate::warp::detail {

/// What a header states.
struct MapConventions {
  TOrigin t_origin = TOrigin::kBottomLeft;
  MapDirection direction = MapDirection::kUndistort;
  Window source_display;
  std::optional<float> no_source = {};
  std::string lens_text = {};
};

/// A header of nothing but the conventions of `map` and, where it is not empty, `lens_text`.
[[nodiscard]] Imf::Header map_header(const StMap& map, const std::string& lens_text);

/// Whether a header says that it is one of an ST-map.
[[nodiscard]] bool is_map_header(const Imf::Header& header);

/// The conventions of a header; nullopt when it states none. Errors, which name `path`:
/// kUnreadable: attributes that make no sense; kUnsupported: those of a later version.
Result<std::optional<MapConventions>> read_map_header(const std::filesystem::path& path,
                                                      const Imf::Header& header);

}  // namespace trueplate::warp::detail
