#include "warp/io/detail/source_digests.h"

#include <fmt/format.h>

#include <utility>

namespace trueplate::warp::detail {
namespace {

Result<Source> source_of(const std::filesystem::path& path) {
  const std::optional<footage::FileState> state = footage::file_state(path);
  Result<std::string> digest = footage::digest_of_file(path);
  if (!digest) return fail(digest.error());
  return Source{*std::move(digest), state};
}

}  // namespace

Result<Source> SourceDigests::of(const footage::FrameRef& frame) {
  if (!frame.movie_frame) return source_of(frame.path);
  const std::scoped_lock lock(mutex_);
  auto movie = movies_.find(frame.path);
  if (movie == movies_.end()) movie = movies_.emplace(frame.path, source_of(frame.path)).first;
  if (!movie->second) return fail(movie->second.error());
  return Source{
      footage::digest_of_text(fmt::format("{} {}", movie->second->digest, *frame.movie_frame)),
      movie->second->state};
}

}  // namespace trueplate::warp::detail
