#include "calib/footage/frame_stream.h"

#include <fmt/format.h>

#include <exception>
#include <mutex>
#include <utility>

#include "calib/footage/digested_frame.h"
#include "calib/footage/movie.h"

namespace trueplate::footage {

namespace {

FrameStream::Item read_still(std::size_t index,
                             const std::filesystem::path& path,
                             const ReadOptions& options,
                             FrameStream::Digests digests) {
  if (digests == FrameStream::Digests::kNone) return {index, read_frame(path, options)};
  Result<DigestedFrame> read = read_digested_frame(path, options);
  if (!read) return {index, fail(read.error())};
  return {index, std::move(read->frame), std::move(read->digest)};
}

}  // namespace

struct FrameStream::State {
  std::vector<FrameRef> frames;
  Digests digests = Digests::kNone;
  std::mutex mutex;
  std::size_t next = 0;
  // The movie that is being decoded; an error when it could not be opened.
  std::filesystem::path movie_path;
  std::optional<Result<Movie>> movie;

  /// Frame `wanted` of a movie; called under the mutex.
  Result<Frame> from_movie(const std::filesystem::path& path,
                           int wanted,
                           const ReadOptions& options) {
    if (!movie || movie_path != path || (*movie && (*movie)->position() > wanted)) {
      movie.emplace(Movie::open(path, options.threads));
      movie_path = path;
    }
    if (!*movie) return fail(movie->error());
    while ((*movie)->position() < wanted) {
      if (!(*movie)->skip()) return ended(path, wanted);
    }
    Result<std::optional<Frame>> frame = (*movie)->next(options);
    if (!frame) return fail(frame.error());
    if (!*frame) return ended(path, wanted);
    return **std::move(frame);
  }

  Unexpected ended(const std::filesystem::path& path, int wanted) const {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: ends after {} frames, before frame {}; the file is incomplete or "
                            "its index wrong",
                            path.string(),
                            (*movie)->position(),
                            wanted + 1));
  }
};

FrameStream::FrameStream(std::vector<FrameRef> frames, Digests digests)
    : state_(std::make_unique<State>()) {
  state_->frames = std::move(frames);
  state_->digests = digests;
}
FrameStream::~FrameStream() = default;

std::optional<FrameStream::Item> FrameStream::next(
    const ReadOptions& options, const std::function<bool(std::size_t index)>& wanted) {
  std::unique_lock lock(state_->mutex);
  while (state_->next < state_->frames.size()) {
    const std::size_t index = state_->next++;
    const FrameRef& ref = state_->frames[index];
    if (ref.movie_frame) {
      if (wanted && !wanted(index)) continue;
      try {
        return Item{index, state_->from_movie(ref.path, *ref.movie_frame, options)};
      } catch (const std::exception& exception) {
        // No memory for the frame, most likely; the next one may be smaller.
        return Item{
            index, fail(ErrorCode::kUnreadable, fmt::format("{}: {}", ref.name, exception.what()))};
      }
    }
    lock.unlock();
    if (!wanted || wanted(index)) return read_still(index, ref.path, options, state_->digests);
    lock.lock();
  }
  return std::nullopt;
}

}  // namespace trueplate::footage
