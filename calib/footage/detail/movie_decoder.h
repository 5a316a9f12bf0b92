#pragma once

#include <filesystem>
#include <memory>
#include <optional>

#include "calib/base/result.h"
#include "calib/footage/movie.h"

namespace trueplate::footage::detail {

/// What decodes a movie, behind an interface, so that a program may load its library when the first
/// movie is met. Members as those of Movie.
class MovieDecoder {
 public:
  virtual ~MovieDecoder() = default;
  [[nodiscard]] virtual const MovieFacts& facts() const = 0;
  [[nodiscard]] virtual int position() const = 0;
  virtual Result<std::optional<Frame>> next(const ReadOptions& options) = 0;
  virtual bool skip() = 0;
};

/// The two ways to the decoder, in a library of their own (trueplate_footage_movies); see
/// Movie::open() and num_movie_frames().
Result<std::unique_ptr<MovieDecoder>> open_movie(const std::filesystem::path& path, int threads);
Result<int> count_movie_frames(const std::filesystem::path& path);

}  // namespace trueplate::footage::detail
