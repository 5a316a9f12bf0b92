#pragma once

#include <string>

namespace trueplate {

/// Doubt, as data: something that worked but should not be trusted blindly.
struct Warning {
  std::string code;     // kebab-case and stable, for scripts: "little-tilt"
  std::string message;  // one sentence that states the number, why it matters and what to do
  double value = 0.0;   // the number the message is about
};

}  // namespace trueplate
