#include "warp/io/sequence.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <mutex>
#include <new>
#include <optional>
#include <set>
#include <string_view>
#include <system_error>
#include <thread>
#include <unordered_set>

#include "calib/base/interrupt.h"
#include "calib/base/parallel.h"
#include "calib/base/pixel_memory_reuse.h"
#include "calib/base/temporary_file.h"
#include "calib/footage/frame_place.h"
#include "calib/footage/frame_stream.h"
#include "warp/io/detail/source_digests.h"

namespace trueplate::warp {
namespace {

namespace fs = std::filesystem;

/// An output that exists and is not what would be made.
Error not_complete_error(const fs::path& output, FrameMatch match) {
  return {ErrorCode::kExists,
          fmt::format("{}: exists already and {}; choose another name or add --overwrite",
                      output.string(),
                      to_text(match))};
}

/// Whether an output may be written, as far as can be told without looking at its input.
Result<void> check_free(const fs::path& output, const SequenceOptions& options) {
  if (options.write.overwrite == Overwrite::kAllow) return {};
  if (options.settings.empty()) {
    std::error_code code;
    if (fs::exists(output, code)) return fail(output_exists_error(output));
    return {};
  }
  const FrameMatch match = match_settings(output, options.settings);
  if (match == FrameMatch::kAbsent || match == FrameMatch::kComplete) return {};
  return fail(not_complete_error(output, match));
}

/// Clears the folders of the outputs of what killed processes left.
std::vector<fs::path> remove_leftovers_of(std::span<const SequenceJob> jobs) {
  std::set<fs::path> folders;
  for (const SequenceJob& job : jobs) folders.insert(job.output.parent_path());
  std::vector<fs::path> removed;
  for (const fs::path& folder : folders) {
    for (fs::path& path : remove_leftovers(folder)) removed.push_back(std::move(path));
  }
  return removed;
}

enum class Fate { kSkipped, kDone, kComplete, kFailed };

struct Outcome {
  Fate fate = Fate::kSkipped;
  FrameMatch before = FrameMatch::kAbsent;  // what was under the name of the output
  detail::Source source;                    // when there are settings and the input can be read
  Error error;
  std::vector<Warning> warnings;
};

std::vector<footage::FrameRef> inputs_of(std::span<const SequenceJob> jobs) {
  std::vector<footage::FrameRef> inputs;
  inputs.reserve(jobs.size());
  for (const SequenceJob& job : jobs) inputs.push_back(job.input);
  return inputs;
}

class Pipeline {
 public:
  Pipeline(std::span<const SequenceJob> jobs, const FrameWarp& warp, const SequenceOptions& options)
      : jobs_(jobs),
        warp_(warp),
        options_(options),
        num_threads_(resolve_threads(options.threads)),
        stream_(inputs_of(jobs),
                options.settings.empty() ? footage::FrameStream::Digests::kNone
                                         : footage::FrameStream::Digests::kOfStills),
        outcomes_(jobs.size()) {}

  SequenceSummary run() {
    const PixelMemoryReuse reuse;
    const std::size_t in_flight = options_.max_frames_in_flight > 0
                                      ? static_cast<std::size_t>(options_.max_frames_in_flight)
                                      : static_cast<std::size_t>(num_threads_) + 1;
    const std::size_t num_workers = std::min(in_flight, jobs_.size());
    unfinished_workers_ = static_cast<int>(num_workers);
    std::vector<std::jthread> workers;
    for (std::size_t i = 1; i < num_workers; ++i) {
      try {
        workers.emplace_back([this] { work(); });
      } catch (const std::system_error&) {
        // The system gives no more threads; those there are do the work.
        unfinished_workers_ -= static_cast<int>(num_workers - i);
        break;
      }
    }
    work();
    for (std::jthread& worker : workers) worker.join();
    return summary();
  }

 private:
  [[nodiscard]] bool interrupted() const { return is_interrupted(options_.interrupt); }

  /// Whether as many frames, one after another, could not be written as tell that no other can: a
  /// full disk, a folder that is gone.
  [[nodiscard]] bool gave_up() const { return gave_up_.load(); }

  /// Threads for the next stage of one frame: an equal share, all of them for the last frame.
  [[nodiscard]] int thread_share() const {
    return std::max(1, num_threads_ / std::max(1, unfinished_workers_.load()));
  }

  void work() {
    for (;;) {
      footage::ReadOptions read_options = options_.read;
      read_options.threads = thread_share();
      std::optional<footage::FrameStream::Item> item =
          stream_.next(read_options, [this](std::size_t index) { return is_wanted(index); });
      if (!item) break;
      const std::size_t index = item->index;
      guarded(index, [&] { do_job(jobs_[index], *std::move(item), outcomes_[index]); });
    }
    unfinished_workers_.fetch_sub(1);
  }

  /// Runs a step of a job, and reports the job once it has an outcome.
  template <class Step>
  void guarded(std::size_t index, const Step& step) {
    Outcome& outcome = outcomes_[index];
    try {
      step();
    } catch (const std::bad_alloc&) {
      // A frame too large for the memory must not take the others down with it.
      outcome.fate = Fate::kFailed;
      outcome.error = {ErrorCode::kInvalidInput,
                       fmt::format("{}: not enough memory for it; fewer frames in flight and fewer "
                                   "threads need less",
                                   place_of(jobs_[index].input))};
    } catch (const std::exception& exception) {
      outcome.fate = Fate::kFailed;
      outcome.error = {ErrorCode::kInvalidInput,
                       fmt::format("{}: {}", place_of(jobs_[index].input), exception.what())};
    }
    if (outcome.fate != Fate::kSkipped) report(jobs_[index]);
  }

  /// Whether there is anything to do for a job; if not, its outcome is settled.
  bool is_wanted(std::size_t index) {
    if (interrupted() || gave_up()) return false;
    if (options_.settings.empty()) return true;
    Outcome& outcome = outcomes_[index];
    guarded(index, [&] { look_at_output(jobs_[index], outcome); });
    return outcome.fate == Fate::kSkipped;
  }

  void look_at_output(const SequenceJob& job, Outcome& outcome) {
    outcome.before = match_settings(job.output, options_.settings);
    if (outcome.before == FrameMatch::kComplete || job.input.movie_frame) {
      const Result<detail::Source> source = sources_.of(job.input);
      if (!source) return;  // reading the frame will tell why
      outcome.source = *source;
      outcome.before = match_frame(job.output, recipe_of(outcome));
    } else {
      // Its digest is taken when it is read.
      outcome.source.state = footage::file_state(job.input.path);
    }
    if (outcome.before == FrameMatch::kComplete) {
      outcome.fate = Fate::kComplete;
    } else if (outcome.before != FrameMatch::kAbsent &&
               options_.write.overwrite == Overwrite::kRefuse) {
      outcome.fate = Fate::kFailed;
      outcome.error = not_complete_error(job.output, outcome.before);
    }
  }

  [[nodiscard]] Recipe recipe_of(const Outcome& outcome) const {
    return {options_.settings, outcome.source.digest};
  }

  void do_job(const SequenceJob& job, footage::FrameStream::Item item, Outcome& outcome) {
    Result<footage::Frame>& input = item.frame;
    const auto failed = [&](const Error& error) {
      outcome.fate = Fate::kFailed;
      outcome.error = error;
    };
    if (!input) return failed(input.error());
    if (!item.digest.empty()) outcome.source.digest = std::move(item.digest);
    const bool has_recipe = !outcome.source.digest.empty();
    if (has_recipe && !outcome.source.is_unchanged(job.input)) {
      return failed({ErrorCode::kUnreadable,
                     fmt::format("{}: was written to while it was read; run again when it is whole",
                                 place_of(job.input))});
    }
    outcome.warnings = input->warnings;
    if (interrupted()) return;
    Result<FrameInRows> output = warp_(*std::move(input), job, thread_share());
    if (!output) return failed(output.error());
    outcome.warnings = output->frame.warnings;  // those of reading are among them
    if (interrupted()) return;
    WriteOptions write_options = options_.write;
    write_options.threads = thread_share();
    if (has_recipe) write_options.recipe = recipe_of(outcome);
    const Result<std::vector<Warning>> written =
        write_frame(job.output, *std::move(output), write_options);
    if (written) {
      num_unwritten_.store(0);
      outcome.warnings.insert(outcome.warnings.end(), written->begin(), written->end());
      outcome.fate = Fate::kDone;
    } else if (written.error().code == ErrorCode::kExists && has_recipe) {
      look_at_rival(job, outcome);
    } else {
      if (written.error().code == ErrorCode::kUnwritable &&
          num_unwritten_.fetch_add(1) + 1 >= kMostUnwritten) {
        gave_up_ = true;
      }
      failed(written.error());
    }
  }

  /// Another process was faster: if it made the same, all is well.
  void look_at_rival(const SequenceJob& job, Outcome& outcome) {
    const FrameMatch match = match_frame(job.output, recipe_of(outcome));
    outcome.fate = match == FrameMatch::kComplete ? Fate::kComplete : Fate::kFailed;
    outcome.error = not_complete_error(job.output, match);
  }

  void report(const SequenceJob& job) {
    const std::scoped_lock lock(progress_mutex_);
    ++num_finished_;
    if (options_.progress) options_.progress({num_finished_, jobs_.size(), job.input.name});
  }

  SequenceSummary summary() {
    SequenceSummary summary;
    summary.interrupted = interrupted();
    summary.gave_up = !summary.interrupted && gave_up();
    for (std::size_t i = 0; i < jobs_.size(); ++i) {
      const std::string& name = jobs_[i].input.name;
      Outcome& outcome = outcomes_[i];
      switch (outcome.fate) {
        case Fate::kDone:
          summary.done.push_back(name);
          if (outcome.before != FrameMatch::kAbsent) {
            summary.replaced.push_back({name, outcome.before});
          }
          break;
        case Fate::kComplete:
          summary.complete.push_back(name);
          break;
        case Fate::kFailed:
          summary.failed.push_back({name, std::move(outcome.error)});
          break;
        case Fate::kSkipped:
          summary.skipped.push_back(name);
          continue;
      }
      if (!outcome.warnings.empty()) {
        summary.warnings.push_back({name, std::move(outcome.warnings)});
      }
    }
    return summary;
  }

  std::span<const SequenceJob> jobs_;
  const FrameWarp& warp_;
  const SequenceOptions& options_;
  int num_threads_;
  footage::FrameStream stream_;
  detail::SourceDigests sources_;
  std::vector<Outcome> outcomes_;  // each written by the one thread that has the job
  std::atomic<int> unfinished_workers_{0};
  static constexpr int kMostUnwritten = 3;
  std::atomic<int> num_unwritten_{0};  // since the last that could be written
  /// Stays true when a frame under way still finds room: others have been passed over by then.
  std::atomic<bool> gave_up_{false};
  std::mutex progress_mutex_;
  std::size_t num_finished_ = 0;
};

}  // namespace

Result<std::vector<SequenceJob>> make_jobs(std::span<const footage::FrameRef> frames,
                                           std::string_view output) {
  Result<std::vector<fs::path>> paths = footage::output_paths(output, frames);
  if (!paths) return fail(paths.error());
  std::vector<SequenceJob> jobs;
  jobs.reserve(frames.size());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    jobs.push_back({frames[i], std::move((*paths)[i])});
  }
  return jobs;
}

Result<void> check_sequence(std::span<const SequenceJob> jobs, const SequenceOptions& options) {
  if (jobs.empty()) return fail(ErrorCode::kInvalidInput, "no frames to work on");
  std::unordered_set<std::string> inputs;
  for (const SequenceJob& job : jobs) inputs.insert(job.input.path.lexically_normal().string());
  std::unordered_set<std::string> outputs;
  std::set<std::string> checked_folders;
  for (const SequenceJob& job : jobs) {
    const std::string output = job.output.lexically_normal().string();
    if (Result<void> format = check_writable_format(job.output, options.write); !format) {
      return format;
    }
    if (!outputs.insert(output).second) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: two frames would go to this file", job.output.string()));
    }
    if (inputs.contains(output)) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: is one of the frames to be read; choose another name or folder",
                              job.output.string()));
    }
    if (Result<void> free = check_free(job.output, options); !free) return free;
    std::error_code code;
    const fs::path folder = job.output.has_parent_path() ? job.output.parent_path() : fs::path(".");
    if (checked_folders.insert(folder.string()).second && !fs::is_directory(folder, code)) {
      return fail(ErrorCode::kUnwritable,
                  fmt::format("{}: the folder {} does not exist; create it first",
                              job.output.string(),
                              folder.string()));
    }
  }
  return {};
}

Result<SequenceSummary> process_sequence(std::span<const SequenceJob> jobs,
                                         const FrameWarp& warp,
                                         const SequenceOptions& options) {
  if (Result<void> checked = check_sequence(jobs, options); !checked) return fail(checked.error());
  std::vector<fs::path> leftovers = remove_leftovers_of(jobs);
  SequenceSummary summary = Pipeline(jobs, warp, options).run();
  summary.removed_leftovers = std::move(leftovers);
  return summary;
}

}  // namespace trueplate::warp
