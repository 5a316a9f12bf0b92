#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"

namespace trueplate::plate {

/// Where one track is in one frame.
struct TrackPoint {
  int frame = 0;  // index into Tracks::frames
  int track = 0;  // index into Tracks::names
  Point2d p_px = {0.0, 0.0};
};

/// 2D tracks of one shot: features of a static scene, followed from frame to frame.
struct Tracks {
  ImageSize plate_size;            // of the display window; 0x0 when the file does not say
  std::vector<std::string> names;  // in the order of their first rows
  std::vector<double> frames;      // numbers, ascending; sub-frames are fractions
  std::vector<TrackPoint> points;  // by frame, then by track; no pair twice
  std::size_t num_gaps = 0;        // rows without a place on a picture
  /// tracks-repeated, tracks-not-a-number, tracks-beyond-any-picture, tracks-outside-frame,
  /// tracks-in-a-quarter
  std::vector<Warning> warnings;
};

/// No picture is as large, however much overscan it has.
inline constexpr double kFarthestPx = 1e6;
/// Nor has any shot a frame of a higher number.
inline constexpr double kFarthestFrame = 1e9;

/// Reads a tracks CSV (calib/base/csv.h): columns `track`, `frame`, `x`, `y` in any order among any
/// others, rows in any order, `# image: WIDTHxHEIGHT` for the plate's size. Plate pixels: origin at
/// the top-left corner, x right, y down, the centre of pixel i at i + 0.5. A frame is a number, or
/// the name of a file that ends with one before its extension (shot.1001.exr).
///
/// A track is a gap where it has no row, or one whose x and y are blank or not finite or farther
/// off than kFarthestPx; the latter two are counted in warnings. A row that stands twice counts
/// once (warning). Points outside the plate are kept (warning), for plates with overscan have them.
///
/// Errors name the line: a missing column, text that is no number, a track at two places in one
/// frame, no points at all.
/// `columns` is for files that call their columns otherwise.
Result<Tracks> parse_tracks(std::string content,
                            std::string source,
                            const ColumnNames& columns = {});
Result<Tracks> read_tracks(const std::filesystem::path& path, const ColumnNames& columns = {});

/// The number of tracks that two frames (indices) share.
[[nodiscard]] int num_common_tracks(const Tracks& tracks, int frame_a, int frame_b);

/// The points of each frame, as ranges of Tracks::points: those of frame f begin at result[f] and
/// end before result[f + 1].
[[nodiscard]] std::vector<std::size_t> frame_starts(const Tracks& tracks);

}  // namespace trueplate::plate
