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
#include "warp/io/frame_in_rows.h"
#include "warp/io/frame_record.h"
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

/// Makes the output frame from the input frame, with up to `threads` threads of its own; its pixels
/// may be made on the way to the file. Called from several threads at once, once per job. It takes
/// the input over, so that its memory can be given back or used again early.
using FrameWarp =
    std::function<Result<FrameInRows>(footage::Frame input, const SequenceJob& job, int threads)>;

struct FrameFailure {
  std::string name;  // of the input frame
  Error error;
};

struct FrameWarnings {
  std::string name;
  std::vector<Warning> warnings;  // of reading and of writing this frame
};

struct FrameReplaced {
  std::string name;
  FrameMatch before = FrameMatch::kNoRecord;
};

/// What became of the jobs. Each is in exactly one of the first four lists, in the order of the
/// jobs.
struct SequenceSummary {
  std::vector<std::string> done;
  std::vector<std::string> complete;  // found finished, by an earlier run or by another process
  std::vector<FrameFailure> failed;
  std::vector<std::string> skipped;  // not begun, or dropped unfinished: interrupted or gave_up
  std::vector<FrameWarnings> warnings;
  /// Of those done: replaced an output that was not complete, with what that was.
  std::vector<FrameReplaced> replaced;
  /// Unfinished files of processes that were killed, removed from the output folders.
  std::vector<std::filesystem::path> removed_leftovers;
  bool interrupted = false;
  /// Three frames one after another could not be written, so the others were not begun.
  bool gave_up = false;
};

struct SequenceProgress {
  std::size_t finished = 0;  // done, complete or failed
  std::size_t total = 0;
  std::string frame;  // the one that finished last
};

struct SequenceOptions {
  footage::ReadOptions read = {};  // `threads` is chosen per frame
  WriteOptions write = {};         // `threads` and `recipe` are chosen per frame
  /// Recipe::settings of the frames; empty: outputs get no record, and those that exist are refused
  /// or replaced, as write.overwrite says. With it, an output that is complete is left as it is;
  /// one that is not is refused or replaced.
  std::string settings = {};
  /// The most frames worked on at a time; 0 = threads + 1, so that one may wait for the disk. The
  /// memory needed is at most this many times (input frame + output frame as float; of EXR outputs
  /// of up to four filtered channels the input frame), plus what the encoder holds, whatever the
  /// number of frames.
  int max_frames_in_flight = 0;
  /// Called after each frame, one call at a time, from any of the threads.
  std::function<void(const SequenceProgress&)> progress = {};
  /// When it becomes true no further frame is begun and frames not yet being written are dropped;
  /// frames that are being written are finished. Null: cannot be interrupted.
  const std::atomic<bool>* interrupt = nullptr;
  int threads = 0;  // 0 = all cores
};

/// The checks that process_sequence() makes before anything is read or written; its errors.
Result<void> check_sequence(std::span<const SequenceJob> jobs, const SequenceOptions& options);

/// Reads, warps and writes all jobs, several frames at a time. With fewer frames left than threads
/// the frames share the threads among themselves, down to one frame that gets all of them. A frame
/// that fails is listed with its reason and the others go on.
///
/// Several processes, on any machines that share the folder, may be given the same jobs: whoever
/// finishes a frame first has made it, the others find it complete. A file under its final name is
/// whole at any moment.
///
/// errors, before anything is read or written: kInvalidInput: no jobs, two jobs with one output, an
///         output that is one of the inputs; kExists: an output is there already, overwriting was
///         not asked for, and it is not of these settings (its input is looked at in its turn);
///         kUnsupported, kInvalidInput: see check_writable_format(); kUnwritable: an output folder
///         that does not exist.
Result<SequenceSummary> process_sequence(std::span<const SequenceJob> jobs,
                                         const FrameWarp& warp,
                                         const SequenceOptions& options = {});

}  // namespace trueplate::warp
