#pragma once

#include <string>
#include <vector>

namespace trueplate::tests {

/// What a finished program left.
struct ProgramResult {
  int status = -1;  // exit status, or 128 + signal
  std::string output;
  std::string errors;
};

/// Runs the trueplate program that was built with these tests, without a shell, and waits.
ProgramResult run_trueplate(const std::vector<std::string>& arguments);

/// Where that program is.
std::string trueplate_program();

/// Runs any program found on the PATH; status 127 when there is none.
ProgramResult run_program(const std::string& program, const std::vector<std::string>& arguments);

}  // namespace trueplate::tests
