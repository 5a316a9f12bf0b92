#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame_set.h"
#include "cli/command.h"
#include "warp/io/lens_warp.h"

namespace trueplate::cli {

/// How pictures are looked up: what `undistort` and `redistort` let one say of filters and
/// channels.
struct PassArguments {
  std::string filter = "cubic";
  std::string edge = "black";
  std::string ringing = "allow";
  std::string motion_y = "up";
  bool unpremultiplied = false;
  std::vector<std::string> requests;
};
void add_passes(CLI::App& app, PassArguments& passes);

/// What they mean. Errors: kInvalidInput, a word that makes no sense.
Result<warp::PassSettings> pass_settings(const PassArguments& passes);

/// Refuses a --pass that fits no channel of the first frame that can be read.
Result<void> check_passes(const warp::PassSettings& settings, const footage::FrameSet& frames);

/// Options that were given and have changed nothing, from the channels of the frames that were
/// made; empty `channels`: none were. `unused-option` (value 1).
std::vector<Warning> unused_options(const CLI::App& app,
                                    const std::vector<warp::TreatedChannel>& channels);

/// One line that names the channels that were not filtered; empty if all were.
std::string channels_text(const std::vector<warp::TreatedChannel>& channels);

/// [{part, channel, rule, why}], `part` null where it has no name.
nlohmann::json channels_json(const std::vector<warp::TreatedChannel>& channels);

}  // namespace trueplate::cli
