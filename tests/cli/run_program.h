#pragma once

#include <string>
#include <vector>

#include "tests/support/test_data.h"

namespace trueplate::tests {

/// What a finished program left.
struct ProgramResult {
  int status = -1;  // exit status, or 128 + signal
  std::string output;
  std::string errors;
  long peak_kib = 0;  // largest resident set
};

/// A program that runs beside the test. Killed and waited for at the end of its life.
class RunningProgram {
 public:
  /// Without a shell; the program is looked for on the PATH.
  RunningProgram(const std::string& program, const std::vector<std::string>& arguments);
  ~RunningProgram();
  RunningProgram(const RunningProgram&) = delete;
  RunningProgram& operator=(const RunningProgram&) = delete;

  void send(int signal);
  /// Waits for the end; status 127 when there is no such program.
  ProgramResult wait();

 private:
  ScratchFolder scratch_;
  int process_;
};

/// Runs the trueplate program that was built with these tests, without a shell, and waits.
ProgramResult run_trueplate(const std::vector<std::string>& arguments);

/// Where that program is.
std::string trueplate_program();

/// Runs any program found on the PATH; status 127 when there is none.
ProgramResult run_program(const std::string& program, const std::vector<std::string>& arguments);

}  // namespace trueplate::tests
