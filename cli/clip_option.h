#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::cli {

/// What --clip says of one station: its frames or observations, and how the lens was set. Lengths
/// are text still; empty and nullopt: not said.
struct Clip {
  std::string frames;
  std::string focal;
  std::string focus;
  std::string entrance_pupil;
  std::optional<double> t_stop;
};

/// `FRAMES,focal=35mm,focus=2m`: keys from the end on, so that names may hold commas. Errors:
/// kInvalidInput: no frames, a key that is not known or stands twice, a T-stop that is no number.
Result<Clip> parse_clip(std::string_view text);

}  // namespace trueplate::cli
