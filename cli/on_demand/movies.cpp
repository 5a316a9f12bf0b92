#include "cli/on_demand/movies.h"

#include "cli/on_demand/module.h"

namespace trueplate {
namespace {

Result<const cli::MovieFunctions*> functions() {
  static const Result<const void*> table =
      cli::load_module("trueplate_movies", "trueplate_movie_functions", "what reads movies");
  if (!table) return fail(table.error());
  return static_cast<const cli::MovieFunctions*>(*table);
}

}  // namespace

namespace footage::detail {

Result<std::unique_ptr<MovieDecoder>> open_movie(const std::filesystem::path& path, int threads) {
  const auto module = functions();
  if (!module) return fail(module.error());
  return (*module)->open_movie(path, threads);
}

Result<int> count_movie_frames(const std::filesystem::path& path) {
  const auto module = functions();
  if (!module) return fail(module.error());
  return (*module)->count_movie_frames(path);
}

}  // namespace footage::detail
}  // namespace trueplate
