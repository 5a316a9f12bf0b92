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

#include "calib/base/parallel.h"
#include "calib/footage/frame_stream.h"

namespace trueplate::warp {
namespace {

namespace fs = std::filesystem;

/// The checks that need no picture: all of them before the first frame is touched.
Result<void> check_jobs(std::span<const SequenceJob> jobs, const SequenceOptions& options) {
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
    std::error_code code;
    if (options.write.overwrite == Overwrite::kRefuse && fs::exists(job.output, code)) {
      return fail(output_exists_error(job.output));
    }
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

enum class Fate { kSkipped, kDone, kFailed };

struct Outcome {
  Fate fate = Fate::kSkipped;
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
        stream_(inputs_of(jobs)),
        outcomes_(jobs.size()) {}

  SequenceSummary run() {
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
  [[nodiscard]] bool interrupted() const {
    return options_.interrupt != nullptr && options_.interrupt->load(std::memory_order_relaxed);
  }

  /// Threads for the next stage of one frame: an equal share, all of them for the last frame.
  [[nodiscard]] int thread_share() const {
    return std::max(1, num_threads_ / std::max(1, unfinished_workers_.load()));
  }

  void work() {
    while (!interrupted()) {
      footage::ReadOptions read_options = options_.read;
      read_options.threads = thread_share();
      std::optional<footage::FrameStream::Item> item = stream_.next(read_options);
      if (!item) break;
      const std::size_t index = item->index;
      Outcome& outcome = outcomes_[index];
      try {
        do_job(jobs_[index], std::move(item->frame), outcome);
      } catch (const std::exception& exception) {
        // A frame too large for the memory must not take the others down with it.
        outcome.fate = Fate::kFailed;
        outcome.error = {ErrorCode::kInvalidInput,
                         fmt::format("{}: {}", jobs_[index].input.name, exception.what())};
      }
      if (outcome.fate != Fate::kSkipped) report(jobs_[index]);
    }
    unfinished_workers_.fetch_sub(1);
  }

  void do_job(const SequenceJob& job, Result<footage::Frame> input, Outcome& outcome) {
    const auto failed = [&](const Error& error) {
      outcome.fate = Fate::kFailed;
      outcome.error = error;
    };
    if (!input) return failed(input.error());
    outcome.warnings = input->warnings;
    if (interrupted()) return;
    const Result<footage::Frame> output = warp_(*std::move(input), job, thread_share());
    if (!output) return failed(output.error());
    outcome.warnings = output->warnings;  // those of reading are among them
    if (interrupted()) return;
    WriteOptions write_options = options_.write;
    write_options.threads = thread_share();
    const Result<std::vector<Warning>> written = write_frame(job.output, *output, write_options);
    if (!written) return failed(written.error());
    outcome.warnings.insert(outcome.warnings.end(), written->begin(), written->end());
    outcome.fate = Fate::kDone;
  }

  void report(const SequenceJob& job) {
    const std::scoped_lock lock(progress_mutex_);
    ++num_finished_;
    if (options_.progress) options_.progress({num_finished_, jobs_.size(), job.input.name});
  }

  SequenceSummary summary() {
    SequenceSummary summary;
    summary.interrupted = interrupted();
    for (std::size_t i = 0; i < jobs_.size(); ++i) {
      const std::string& name = jobs_[i].input.name;
      Outcome& outcome = outcomes_[i];
      switch (outcome.fate) {
        case Fate::kDone:
          summary.done.push_back(name);
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
  std::vector<Outcome> outcomes_;  // each written by the one thread that has the job
  std::atomic<int> unfinished_workers_{0};
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

Result<SequenceSummary> process_sequence(std::span<const SequenceJob> jobs,
                                         const FrameWarp& warp,
                                         const SequenceOptions& options) {
  if (Result<void> checked = check_jobs(jobs, options); !checked) return fail(checked.error());
  return Pipeline(jobs, warp, options).run();
}

}  // namespace trueplate::warp
