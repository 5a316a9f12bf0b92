#pragma once

#include <functional>
#include <string>
#include <vector>

#include "calib/footage/frame_set.h"
#include "cli/command.h"
#include "warp/io/lens_warp.h"
#include "warp/io/sequence.h"

namespace trueplate::cli {

/// What came of a command that makes a frame of each frame.
struct SequenceReport {
  const warp::SequenceSummary& summary;
  const footage::FrameSet& frames;
  const std::vector<warp::TreatedChannel>& channels;
  const std::string& output;  // as on the command line
  /// Writes and reports what goes beside the frames, if any was made.
  std::function<Result<void>()> beside;
  nlohmann::json lenses = {};          // of every frame; null: one for all
  std::vector<Warning> warnings = {};  // of the run, not of a frame; told already
};

/// Says what was made, what not and why, writes the JSON and returns the exit status. `json` is
/// `common` with the --overwrite of the file that --json names.
int report_sequence(const SequenceReport& report,
                    const CommonOptions& common,
                    const CommonOptions& json);

/// Whether a file is what --json wrote in an earlier run of such a command. A rerun replaces it.
bool is_earlier_report(const std::string& path);

}  // namespace trueplate::cli
