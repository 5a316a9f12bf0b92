// The module trueplate_movies: what FFmpeg decodes.

#include "cli/on_demand/movies.h"

extern "C" const void* trueplate_movie_functions() {
  static constexpr trueplate::cli::MovieFunctions kFunctions = {
      &trueplate::footage::detail::open_movie,
      &trueplate::footage::detail::count_movie_frames,
  };
  return &kFunctions;
}
