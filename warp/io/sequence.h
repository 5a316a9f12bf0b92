#pragma once

#include <atomic>
#include <cstddef>
#include <filesystem>
#include <functional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_set.h"
#include "warp/io/frame_writer.h"

namespace trueplate::warp {

/// One frame to be read, changed and written.
struct SequenceJob {
  footage::FrameRef input;
  std::filesystem::path output;
};

/// Pairs frames with footage::output_paths(output, frames).
Result<std::vector<SequenceJob>> make_jobs(std::span<const footage::FrameRef> frames,
                                           std::string_view output);

/// Makes the output frame from the input frame, with up to `threads` threads of its own. Called
/// from several threads at once, once per job. It takes the input over, so that its memory can be
/// given back or used again early.
using FrameWarp = std::function<Result<footage::Frame>(
    footage::Frame input, const SequenceJob& job, int threads)>;

struct FrameFailure {
  std::string name;  // of the input frame
  Error error;
};

struct FrameWarnings {
  std::string name;
  std::vector<Warning> warnings;  // of reading and of writing this frame
};

/// What became of the jobs. Each is in exactly one of the three lists, in the order of the jobs.
struct SequenceSummary {
  std::vector<std::string> done;
  std::vector<FrameFailure> failed;
  std::vector<std::string> skipped;  // not begun, or dropped unfinished, after an interruption
  std::vector<FrameWarnings> warnings;
  bool interrupted = false;
};

struct SequenceProgress {
  std::size_t finished = 0;  // done or failed
  std::size_t total = 0;
  std::string frame;  // the one that finished last
};

struct SequenceOptions {
  footage::ReadOptions read = {};  // `threads` is chosen per frame
  WriteOptions write = {};         // `threads` is chosen per frame
  /// The most frames worked on at a time; 0 = threads + 1, so that one may wait for the disk. The
  /// memory needed is at most this many times (input frame + output frame as float), plus what the
  /// encoder holds.
  int max_frames_in_flight = 0;
  /// Called after each frame, one call at a time, from any of the threads.
  std::function<void(const SequenceProgress&)> progress = {};
  /// When it becomes true no further frame is begun and frames not yet being written are dropped;
  /// frames that are being written are finished. Null: cannot be interrupted.
  const std::atomic<bool>* interrupt = nullptr;
  int threads = 0;  // 0 = all cores
};

/// Reads, warps and writes all jobs, several frames at a time. With fewer frames left than threads
/// the frames share the threads among themselves, down to one frame that gets all of them. A frame
/// that fails is listed with its reason and the others go on.
///
/// errors, before anything is read or written: kInvalidInput: no jobs, two jobs with one output, an
///         output that is one of the inputs; kExists: an output is there already and overwriting
///         was not asked for; kUnsupported, kInvalidInput: see check_writable_format();
///         kUnwritable: an output folder that does not exist.
Result<SequenceSummary> process_sequence(std::span<const SequenceJob> jobs,
                                         const FrameWarp& warp,
                                         const SequenceOptions& options = {});

}  // namespace trueplate::warp
