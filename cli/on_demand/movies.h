#pragma once

#include "calib/footage/detail/movie_decoder.h"

namespace trueplate::cli {

/// The functions of the module trueplate_movies: those of trueplate_footage_movies.
struct MovieFunctions {
  decltype(&footage::detail::open_movie) open_movie;
  decltype(&footage::detail::count_movie_frames) count_movie_frames;
};

}  // namespace trueplate::cli
