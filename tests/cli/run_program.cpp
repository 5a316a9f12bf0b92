#include "tests/cli/run_program.h"

#include <fcntl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <stdexcept>

namespace trueplate::tests {
namespace {

std::string read_all(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

void redirect(const std::filesystem::path& path, int descriptor) {
  const int file = ::open(path.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
  if (file < 0 || ::dup2(file, descriptor) < 0) ::_exit(126);
  ::close(file);
}

}  // namespace

RunningProgram::RunningProgram(const std::string& program,
                               const std::vector<std::string>& arguments) {
  std::vector<char*> argv;
  argv.push_back(const_cast<char*>(program.c_str()));
  for (const std::string& argument : arguments) argv.push_back(const_cast<char*>(argument.c_str()));
  argv.push_back(nullptr);

  process_ = ::fork();
  if (process_ < 0) throw std::runtime_error("cannot fork");
  if (process_ == 0) {
    const int nothing = ::open("/dev/null", O_RDONLY);
    if (nothing >= 0) ::dup2(nothing, STDIN_FILENO);
    // Files rather than pipes: a child that writes much to both can then never block.
    redirect(scratch_.path() / "output", STDOUT_FILENO);
    redirect(scratch_.path() / "errors", STDERR_FILENO);
    ::execvp(program.c_str(), argv.data());
    ::_exit(127);
  }
}

RunningProgram::~RunningProgram() {
  if (process_ < 0) return;
  ::kill(process_, SIGKILL);
  ::waitpid(process_, nullptr, 0);
}

void RunningProgram::send(int signal) {
  if (process_ >= 0) ::kill(process_, signal);
}

ProgramResult RunningProgram::wait() {
  int state = 0;
  rusage usage{};
  pid_t ended = -1;
  do {
    ended = ::wait4(process_, &state, 0, &usage);
  } while (ended < 0 && errno == EINTR);
  if (ended != process_) throw std::runtime_error("cannot wait for the program");
  process_ = -1;
  ProgramResult result;
  result.status = WIFEXITED(state) ? WEXITSTATUS(state) : 128 + WTERMSIG(state);
  result.output = read_all(scratch_.path() / "output");
  result.errors = read_all(scratch_.path() / "errors");
  result.peak_kib = usage.ru_maxrss;
  return result;
}

ProgramResult run_program(const std::string& program, const std::vector<std::string>& arguments) {
  return RunningProgram(program, arguments).wait();
}

ProgramResult run_trueplate(const std::vector<std::string>& arguments) {
  return run_program(trueplate_program(), arguments);
}

std::string trueplate_program() { return TRUEPLATE_PROGRAM; }

}  // namespace trueplate::tests
