#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/footage/frame.h"

namespace trueplate::footage {

namespace detail {
class MovieDecoder;
}

/// What a movie file says of itself.
struct MovieFacts {
  ImageSize size;
  double pixel_aspect = 1.0;
  double frames_per_second = 0.0;  // 0: not said
  int bits = 8;                    // of a sample
  bool interlaced = false;
  std::string codec;
};

/// The first video track of a movie file (MOV, MP4, MXF, AVI and what else FFmpeg reads), decoded
/// from its beginning, one frame after another; one frame is in memory at a time.
///
/// Frames are as stored: pixel and field order untouched, R'G'B' by the matrix and range the file
/// names (without a name BT.709 for 720 lines and more, else BT.601; video range), 0..1, not
/// clipped to it where the file goes beyond. A rotation asked of viewers is not applied.
/// Not safe from several threads at once.
class Movie {
 public:
  /// threads   for decoding; 0 = all cores
  /// errors    kNotFound; kUnreadable: damaged, or no movie; kUnsupported: no video in it, a codec
  ///           that is not known, a frame larger than kMaxImageSide
  static Result<Movie> open(const std::filesystem::path& path, int threads = 0);

  Movie(Movie&&) noexcept;
  Movie& operator=(Movie&&) noexcept;
  ~Movie();

  [[nodiscard]] const MovieFacts& facts() const;
  /// Number of the frame that next() gives, from 0.
  [[nodiscard]] int position() const;

  /// The next frame; nullopt after the last one. A frame whose data are damaged is kUnreadable and
  /// counts as one; the next call goes on behind it.
  Result<std::optional<Frame>> next(const ReadOptions& options = {});
  /// Passes over one frame; false after the last one.
  bool skip();

 private:
  explicit Movie(std::unique_ptr<detail::MovieDecoder> decoder);
  std::unique_ptr<detail::MovieDecoder> decoder_;
};

/// How many frames the file has: as its index says, else by counting. Errors as Movie::open().
Result<int> num_movie_frames(const std::filesystem::path& path);

/// Whether the extension is that of a movie: mov, mp4, m4v, mxf, avi, mkv, webm, mpg, mpeg, mts,
/// ts, wmv, ogv, in any case.
[[nodiscard]] bool is_movie_path(const std::filesystem::path& path);

}  // namespace trueplate::footage
