// The demo ends within moments of being asked to, also while a plate is rendered, and leaves no
// half written file.

#include <doctest/doctest.h>

#include <chrono>
#include <csignal>
#include <filesystem>
#include <string>
#include <thread>

#include "tests/cli/run_program.h"

namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;
using Clock = std::chrono::steady_clock;

constexpr int kInterrupted = 130;

}  // namespace

TEST_CASE("interrupted while the plate is rendered") {
  const trueplate::tests::ScratchFolder scratch;
  const fs::path lens = scratch.path() / "demo" / "plover-25";
  trueplate::tests::RunningProgram program(trueplate::tests::trueplate_program(),
                                           {"demo", "-o", (scratch.path() / "demo").string()});
  // Written when the chart frames are done: then comes the plate, which takes seconds.
  const auto begin = Clock::now();
  while (!fs::exists(lens / "chart_truth.csv") && Clock::now() - begin < 300s) {
    std::this_thread::sleep_for(20ms);
  }
  REQUIRE(fs::exists(lens / "chart_truth.csv"));
  program.send(SIGINT);
  const trueplate::tests::ProgramResult result = program.wait();
  CHECK(result.status == kInterrupted);
  CHECK(result.errors == "trueplate demo: interrupted\n");
  CHECK(result.output.empty());
  CHECK_FALSE(fs::exists(lens / "plate.1001.exr"));
  for (const auto& entry : fs::recursive_directory_iterator(scratch.path())) {
    CAPTURE(entry.path().string());
    CHECK(entry.path().string().find(".part.") == std::string::npos);
  }
}
