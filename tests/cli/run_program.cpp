#include "tests/cli/run_program.h"

#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <stdexcept>

#include "tests/support/test_data.h"

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

ProgramResult run_program(const std::string& program, const std::vector<std::string>& arguments) {
  // Files rather than pipes: a child that writes much to both can then never block.
  const ScratchFolder scratch;
  const std::filesystem::path output = scratch.path() / "output";
  const std::filesystem::path errors = scratch.path() / "errors";
  std::vector<char*> argv;
  argv.push_back(const_cast<char*>(program.c_str()));
  for (const std::string& argument : arguments) argv.push_back(const_cast<char*>(argument.c_str()));
  argv.push_back(nullptr);

  const pid_t child = ::fork();
  if (child < 0) throw std::runtime_error("cannot fork");
  if (child == 0) {
    const int nothing = ::open("/dev/null", O_RDONLY);
    if (nothing >= 0) ::dup2(nothing, STDIN_FILENO);
    redirect(output, STDOUT_FILENO);
    redirect(errors, STDERR_FILENO);
    ::execvp(program.c_str(), argv.data());
    ::_exit(127);
  }
  int state = 0;
  pid_t ended = -1;
  do {
    ended = ::waitpid(child, &state, 0);
  } while (ended < 0 && errno == EINTR);
  if (ended != child) throw std::runtime_error("cannot wait for the program");
  ProgramResult result;
  result.status = WIFEXITED(state) ? WEXITSTATUS(state) : 128 + WTERMSIG(state);
  result.output = read_all(output);
  result.errors = read_all(errors);
  return result;
}

ProgramResult run_trueplate(const std::vector<std::string>& arguments) {
  return run_program(trueplate_program(), arguments);
}

std::string trueplate_program() { return TRUEPLATE_PROGRAM; }

}  // namespace trueplate::tests
