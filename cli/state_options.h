#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/profile.h"
#include "calib/zoom/zoom_lens.h"
#include "cli/command.h"

namespace trueplate::cli {

/// How the lens was set, for profiles with many stations; the same words for every command.
struct StateArguments {
  std::string focal;
  std::string focus;
  std::optional<double> t_stop;
  bool extrapolate = false;

  [[nodiscard]] bool given() const { return !focal.empty() || !focus.empty() || t_stop; }
  [[nodiscard]] zoom::Beyond beyond() const {
    return extrapolate ? zoom::Beyond::kExtrapolate : zoom::Beyond::kRefuse;
  }
};
void add_state_options(CLI::App& app, StateArguments& arguments);

/// The words read. Errors: kInvalidInput, naming the option.
Result<zoom::ZoomState> state_of(const StateArguments& arguments);

/// How a lens was set, for machines: `focal_mm`, `focus_m` (`inf` for infinity) and `t_stop`, null
/// where it is not told.
[[nodiscard]] nlohmann::json state_json(const zoom::ZoomState& state);

/// A profile reduced to one state of its lens.
struct ProfileAtState {
  profile::Profile profile;  // one station
  std::vector<Warning> warnings;
};
/// Reads a profile for a command that uses one state: the only station of a file that has one,
/// where no state is asked for; else the lens at the state. Errors: those of reading and of
/// zoom::ZoomLens, with the options that would help.
Result<ProfileAtState> read_profile_at(const std::string& path, const StateArguments& arguments);

/// An error of zoom::ZoomLens about a state, in the words of the command line.
[[nodiscard]] Error with_options(Error error, const std::string& path);

}  // namespace trueplate::cli
