#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/footage/frame.h"
#include "warp/io/lens_attributes.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// What an ST-map file holds, in both channels, where there is no source (NaN in memory; a NaN on
/// disk would spread through filters and hardware samplers). A thousand picture widths outside: no
/// lens and no overscan reaches it, any sampler finds nothing there; yet exact in half and float,
/// and times the largest picture side it still fits 32-bit pixel arithmetic.
inline constexpr float kNoSource = -1024.0F;

struct StMapWriteOptions {
  /// none, rle, zips, zip or piz. Lossy ones are refused: they are made for what eyes forgive, and
  /// an error of 2^-11 in s is two pixels of a 4096-pixel plate.
  std::string compression = "zip";
  Overwrite overwrite = Overwrite::kRefuse;
  Flush flush = Flush::kToDisk;
  /// One line about the lens for whoever opens the file: name, focal length, model, profile.
  std::string lens_text = {};
  double pixel_aspect = 1.0;  // of both pictures; for viewers, no part of the map
  LensAttributes lens = {};   // its pixel aspect does not matter
  int threads = 0;            // 0 = all cores
};

/// Whether write_st_map() could be asked to write this at all: an EXR, compressed without loss. For
/// refusing a command line before any work is done. Errors as there.
Result<void> check_writable_st_map(const std::filesystem::path& path,
                                   const std::string& compression);

/// Writes an EXR with the two 32-bit float channels R = s and G = t, the map's output windows, and
/// the conventions in the header as attributes:
///   trueplateMapVersion     int     1
///   trueplateMapDirection   string  undistort | redistort
///   trueplateTOrigin        string  bottom-left | top-left: where t = 0 lies
///   trueplateSourceDisplay  box2i   the window of the source picture that s and t span 0..1
///   trueplatePixelCenter    float   0.5: pixel i of n has its centre at (i + 0.5) / n
///   trueplateNoSource       float   kNoSource: the value of R and G where there is no source
///   trueplateLens           string  lens_text, where given
///   trueplateProgram        string  name and version of what wrote it, where given in `lens`
///   comments                string  the same in words
/// and the attributes of StMapWriteOptions::lens.
/// errors  kInvalidInput: an invalid map, a lossy or unknown compression; kUnsupported: a name that
///         does not end in .exr; kExists; kUnwritable. Nothing is left behind.
Result<void> write_st_map(const std::filesystem::path& path,
                          const StMap& map,
                          const StMapWriteOptions& options = {});

/// Whether what the caller says of a map gives way to what its header states.
enum class MapHeader { kYields, kStands };

/// Conventions of a map, for what its header does not state.
struct StMapAssumptions {
  /// Unset: as the map itself tells (told_origin()), else kBottomLeft.
  std::optional<TOrigin> t_origin = {};
  std::optional<MapDirection> direction = {};  // unset: kUndistort
  std::optional<Window> source_display =
      {};  // unset: the size of the map's own display window, at 0, 0
  /// kYields: what is set above counts against the header, too, which may be wrong, with the
  /// warning `header-overruled`. kStands: for several maps of which only some state it.
  MapHeader header = MapHeader::kYields;
  /// Which channels are s and t: empty, R and G of the first part; a layer; or two names with a
  /// comma between. Any name may be preceded by that of its part and a dot.
  std::string channels = {};
};

struct StMapFile {
  StMap map;              // NaN where the file says "no source"
  std::string lens_text;  // empty: none
  double pixel_aspect = 1.0;
  bool states_conventions = false;  // the direction among them
  /// `assumed-conventions` (value 1) for a map without the attributes above; `origin-doubt` (value:
  /// the share of the map that says so) where t grows the other way than the stated origin means;
  /// `not-normalised` (value: the share) when most values lie far from 0..1, as in a map that
  /// counts pixels; `header-overruled` (value 1) for each thing of which the caller says another
  /// than the header; those of position_doubt() and half_doubt(); `far-values` (value: how many
  /// pixels) for values beyond kFarthestValue, which count as no source; and those of
  /// footage::read_frame().
  std::vector<Warning> warnings;
};

/// A value beyond this is no place in any picture, even for a map that counts pixels.
inline constexpr float kFarthestValue = 1 << 20;

/// Whether a frame says in its header that it is an ST-map of write_st_map().
[[nodiscard]] bool says_it_is_map(const footage::Frame& frame);

/// Reads an ST-map: two channels of an EXR, float or half; others are ignored. Infinities and
/// values beyond kFarthestValue count as no source.
/// errors  kNotFound; kUnreadable: damaged, or attributes that make no sense; kUnsupported: another
///         kind of file, integer channels, no such channels, a later trueplateMapVersion.
Result<StMapFile> read_st_map(const std::filesystem::path& path,
                              const StMapAssumptions& assumptions = {},
                              int threads = 0);

}  // namespace trueplate::warp
