#include "calib/footage/movie.h"

#include <algorithm>
#include <array>

#include "calib/footage/detail/movie_decoder.h"

namespace trueplate::footage {

Movie::Movie(std::unique_ptr<detail::MovieDecoder> decoder) : decoder_(std::move(decoder)) {}
Movie::Movie(Movie&&) noexcept = default;
Movie& Movie::operator=(Movie&&) noexcept = default;
Movie::~Movie() = default;

const MovieFacts& Movie::facts() const { return decoder_->facts(); }
int Movie::position() const { return decoder_->position(); }

Result<Movie> Movie::open(const std::filesystem::path& path, int threads) {
  Result<std::unique_ptr<detail::MovieDecoder>> decoder = detail::open_movie(path, threads);
  if (!decoder) return fail(decoder.error());
  return Movie(*std::move(decoder));
}

Result<std::optional<Frame>> Movie::next(const ReadOptions& options) {
  return decoder_->next(options);
}

bool Movie::skip() { return decoder_->skip(); }

Result<int> num_movie_frames(const std::filesystem::path& path) {
  return detail::count_movie_frames(path);
}

bool is_movie_path(const std::filesystem::path& path) {
  static constexpr std::array kExtensions = {".mov",
                                             ".mp4",
                                             ".m4v",
                                             ".mxf",
                                             ".avi",
                                             ".mkv",
                                             ".webm",
                                             ".mpg",
                                             ".mpeg",
                                             ".mts",
                                             ".ts",
                                             ".wmv",
                                             ".ogv"};
  std::string extension = path.extension().string();
  for (char& c : extension) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return std::find(kExtensions.begin(), kExtensions.end(), extension) != kExtensions.end();
}

}  // namespace trueplate::footage
