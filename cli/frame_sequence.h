#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame_set.h"
#include "cli/command.h"
#include "cli/footage_options.h"
#include "warp/io/sequence.h"
#include "warp/passes.h"

namespace trueplate::cli {

/// Which frames, where to and how: for commands that make a frame of each frame.
struct SequenceArguments {
  FrameArguments frames;
  std::string output;
  std::string compression;
  int in_flight = 0;
};
/// `description`: of FRAMES.
void add_sequence(CLI::App& app, SequenceArguments& arguments, const std::string& description);

/// The frames of such a command on their way.
class FrameSequence {
 public:
  /// Errors are for report_frames().
  static Result<FrameSequence> create(const SequenceArguments& arguments,
                                      const CommonOptions& common);

  [[nodiscard]] const footage::FrameSet& frames() const { return frames_; }
  [[nodiscard]] const std::vector<warp::SequenceJob>& jobs() const { return jobs_; }
  [[nodiscard]] std::vector<std::string> inputs() const { return paths_of(frames_); }
  [[nodiscard]] std::vector<std::string> outputs() const;
  /// The options of the file that --json names: a report of an earlier run may be replaced.
  [[nodiscard]] const CommonOptions& report() const { return report_; }

  /// Refuses outputs that are inputs, have no folder or share a name. Whether frames that exist may
  /// stay or be replaced is known once they are looked at.
  [[nodiscard]] Result<void> check(const std::string& more_input) const;

  /// Refuses frames that exist and were made with other settings, where they may not be replaced;
  /// run() does so itself.
  [[nodiscard]] Result<void> check_made(const std::string& settings) const;

  /// Makes all frames with progress. Failures of `warp` are named after their frame.
  /// what       the first word of the progress
  /// settings   frame_settings() of the command
  [[nodiscard]] Result<warp::SequenceSummary> run(std::string_view what,
                                                  const std::string& settings,
                                                  const warp::FrameWarp& warp) const;

 private:
  footage::FrameSet frames_;
  std::vector<warp::SequenceJob> jobs_;
  warp::WriteOptions write_;
  int in_flight_ = 0;
  CommonOptions common_;
  CommonOptions report_;
};

}  // namespace trueplate::cli
