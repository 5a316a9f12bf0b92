#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"

namespace trueplate::footage {

/// The most frames one call accepts; a longer range is taken for a slip of the finger.
inline constexpr std::size_t kMaxFrames = 1'000'000;

/// Frame numbers lie within +-kMaxFrameNumber.
inline constexpr int kMaxFrameNumber = 999'999'999;

/// One frame on disk: a picture file, or a frame of a movie file.
struct FrameRef {
  std::filesystem::path path;
  std::optional<int> number;  // nullopt for a still whose name ends in no digits
  std::string name;           // for messages and reports: the file name, with its folder where
                              // two frames of the set would otherwise share a name
  std::optional<int> movie_frame = std::nullopt;  // place in the movie at `path`, from 0
};

/// A name that was asked for and cannot be a frame.
struct LeftOut {
  FrameRef frame;
  Error reason;
};

/// What the FRAMES arguments of a command stand for.
struct FrameSet {
  std::vector<FrameRef> frames;   // in order, no path twice; never empty after resolve_frames()
  std::vector<LeftOut> left_out;  // asked for, but not to be had: absent, or no picture
};

/// Turns FRAMES arguments into frames, in the order of the arguments. Each argument is
///  - a picture file;
///  - a movie file: its frames, numbered from 1, named clip.mov#1 and so on;
///  - a folder: all pictures in it (not below it), in natural order (frame2 before frame10);
///  - a glob with `*`, `?` or `[...]`: the pictures that match, in natural order;
///  - a pattern whose file name holds one run of `#` (grid.####.exr; as many digits at least as
///    there are `#`, zero padded) or one `%d` / `%04d`: the numbers in `range`, or, without it,
///    all that exist on disk, in order of number.
/// A name that exists as it stands is a file or a folder, whatever signs it holds. Pictures are
/// known by their extension: see is_picture_path().
///
/// The number of a file found by name, folder or glob is the run of digits that ends its name
/// before the extension; digits after a `v` are a version, not a frame number.
///
/// range   `--frames`: `1001-1100`, `1001-1100x2`, `1001,1005,1010-1020`; numbers may be negative.
///         Empty means no choice. It picks, from files, folders and globs, the frames of these
///         numbers. A number found nowhere is left out.
/// A file by name that is no picture is left out while there are others: a shell turns `*` into
/// such names. In a folder and in a glob that is quoted, what is no picture is passed over.
/// errors  kNotFound: no such file, an empty folder, a pattern or a range that matches nothing;
///         kUnsupported: other kinds of file when nothing else is given; those of
///         num_movie_frames() for a movie; kInvalidInput: a malformed pattern or
///         range, a range written backwards, more than kMaxFrames frames.
Result<FrameSet> resolve_frames(std::span<const std::string> arguments,
                                std::string_view range = {});

/// The numbers of a range text, in the order written, duplicates dropped. Errors as above.
Result<std::vector<int>> parse_frame_range(std::string_view text);

/// The reverse, shortest: {1, 2, 3, 7} -> `1-3,7`. The numbers must be ascending.
[[nodiscard]] std::string frame_range_text(std::span<const int> numbers);

/// Whether the name stands for several frames: holds a `#` run or a `%d`, and does not exist as it
/// stands.
[[nodiscard]] bool is_frame_pattern(std::string_view text);

/// The path of one frame of a pattern: (`out.####.exr`, 7) -> `out.0007.exr`. A pattern that is
/// malformed (two runs, `%4d`) is kInvalidInput; only the file name is looked at. Negative numbers
/// are written as printf does: `####` and -5 give -005.
Result<std::filesystem::path> path_for_frame(std::string_view pattern, int number);

/// Where each of `frames` goes, in their order. `output` is a pattern, a folder (an existing one,
/// or a name that ends in `/`: the file names are kept), or a plain file name for a single frame.
/// errors  kInvalidInput: several frames would go to one file, a frame without a number meets a
///         pattern, an output would replace one of the input frames.
Result<std::vector<std::filesystem::path>> output_paths(std::string_view output,
                                                        std::span<const FrameRef> frames);

/// Whether the extension is that of a picture this project reads: exr, dpx, tif, tiff, png, jpg,
/// jpeg, in any case.
[[nodiscard]] bool is_picture_path(const std::filesystem::path& path);

}  // namespace trueplate::footage
