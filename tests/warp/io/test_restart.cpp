// What a second run of a sequence does, and two at a time.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <atomic>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <string>
#include <thread>
#include <vector>

#include "calib/base/temporary_file.h"
#include "calib/footage/content_digest.h"
#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "warp/io/sequence.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::footage::Frame;
using trueplate::footage::SampleFormat;
using trueplate::tests::make_frame;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

/// Some frames in a folder of their own, and the jobs that double their pixels.
struct Shot {
  ScratchFolder folder;
  std::vector<SequenceJob> jobs;
  std::atomic<int> num_warped{0};

  explicit Shot(int count, const std::string& extension = "exr") {
    for (int i = 1; i <= count; ++i) {
      const fs::path path = folder.path() / fmt::format("in.{}.exr", i);
      write_input(path, static_cast<float>(i));
      jobs.push_back({{path, i, path.filename().string()},
                      folder.path() / fmt::format("out.{}.{}", i, extension)});
    }
  }

  static void write_input(const fs::path& path, float value) {
    const Frame frame = make_frame(
        24, 12, {"R", "G", "B"}, SampleFormat::kHalf, [&](int, int, int) { return value / 128; });
    REQUIRE(write_frame(path, frame, {.compression = "none", .overwrite = Overwrite::kAllow}));
  }

  SequenceSummary run(const std::string& settings, Overwrite overwrite = Overwrite::kRefuse) {
    SequenceOptions options{.settings = footage::digest_of_text(settings), .threads = 2};
    options.write.overwrite = overwrite;
    num_warped = 0;
    const auto summary = process_sequence(
        jobs,
        [this](Frame frame, const SequenceJob&, int) -> Result<FrameInRows> {
          ++num_warped;
          for (std::size_t i = 0; i < frame.pixels.size(); ++i) frame.pixels.data()[i] *= 2.0F;
          return FrameInRows{std::move(frame)};
        },
        options);
    if (!summary) {
      refusal = summary.error();
      return {};
    }
    return *summary;
  }

  Error refusal;
};

std::string bytes_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

}  // namespace

TEST_CASE("a second run finds everything complete and touches nothing") {
  for (const char* extension : {"exr", "dpx", "png"}) {
    Shot shot(5, extension);
    CHECK(shot.run("lens").done.size() == 5);
    std::map<fs::path, footage::FileState> before;
    for (const SequenceJob& job : shot.jobs) {
      before[job.output] = footage::file_state(job.output).value();
    }
    for (const Overwrite overwrite : {Overwrite::kRefuse, Overwrite::kAllow}) {
      const SequenceSummary again = shot.run("lens", overwrite);
      CHECK(again.done.empty());
      CHECK(again.failed.empty());
      CHECK(again.replaced.empty());
      CHECK(again.complete.size() == 5);
      CHECK(again.complete.front() == "in.1.exr");
      CHECK(shot.num_warped == 0);
    }
    for (const auto& [path, state] : before) CHECK(footage::file_state(path) == state);
  }
}

TEST_CASE("only what is missing is made, and it is what one run would have made") {
  Shot shot(6);
  shot.run("lens");
  std::map<fs::path, std::string> whole;
  for (const SequenceJob& job : shot.jobs) whole[job.output] = bytes_of(job.output);
  fs::remove(shot.jobs[1].output);
  fs::remove(shot.jobs[4].output);
  const SequenceSummary again = shot.run("lens");
  CHECK(again.done == std::vector<std::string>{"in.2.exr", "in.5.exr"});
  CHECK(again.complete.size() == 4);
  CHECK(shot.num_warped == 2);
  for (const auto& [path, bytes] : whole) CHECK(bytes_of(path) == bytes);
}

TEST_CASE("another input of the same size and time is noticed") {
  Shot shot(3);
  shot.run("lens");
  const fs::path input = shot.jobs[1].input.path;
  const auto time = fs::last_write_time(input);
  const auto size = fs::file_size(input);
  Shot::write_input(input, 64.0F);
  REQUIRE(fs::file_size(input) == size);
  fs::last_write_time(input, time);

  const SequenceSummary refused = shot.run("lens");
  CHECK(refused.complete.size() == 2);
  REQUIRE(refused.failed.size() == 1);
  CHECK(refused.failed[0].name == "in.2.exr");
  CHECK(refused.failed[0].error.code == ErrorCode::kExists);
  CHECK(refused.failed[0].error.message.find("out.2.exr: exists already and was made from another "
                                             "input") != std::string::npos);

  const SequenceSummary replaced = shot.run("lens", Overwrite::kAllow);
  CHECK(replaced.done == std::vector<std::string>{"in.2.exr"});
  REQUIRE(replaced.replaced.size() == 1);
  CHECK(replaced.replaced[0].before == FrameMatch::kOtherSource);
  CHECK(footage::read_frame(shot.jobs[1].output)->pixels.at(0, 0, 0) == 1.0F);
  CHECK(shot.run("lens").complete.size() == 3);
}

TEST_CASE("frames of another lens are refused before any work, and replaced when that is asked") {
  Shot shot(3);
  shot.run("lens");
  fs::remove(shot.jobs[0].output);
  shot.run("other lens");
  CHECK(shot.refusal.code == ErrorCode::kExists);
  CHECK(shot.refusal.message.find("out.2.exr: exists already and was made with another lens") !=
        std::string::npos);
  CHECK(shot.num_warped == 0);
  CHECK(!fs::exists(shot.jobs[0].output));

  const SequenceSummary replaced = shot.run("other lens", Overwrite::kAllow);
  CHECK(replaced.done.size() == 3);
  CHECK(replaced.replaced.size() == 2);
}

TEST_CASE("files that are not ours, cut short or written to are not taken for frames") {
  Shot shot(4);
  shot.run("lens");
  const std::string whole = bytes_of(shot.jobs[0].output);
  std::ofstream(shot.jobs[0].output, std::ios::binary) << whole.substr(0, whole.size() - 1);
  CHECK(shot.run("lens").failed.size() == 1);
  std::ofstream(shot.jobs[1].output, std::ios::binary | std::ios::app) << "x";
  CHECK(shot.run("lens").failed.size() == 2);
  std::ofstream(shot.jobs[2].output, std::ios::binary) << "";
  CHECK(shot.run("lens").done.empty());
  CHECK(shot.refusal.message.find("out.3.exr") != std::string::npos);
  CHECK(shot.run("lens", Overwrite::kAllow).done.size() == 3);
  CHECK(bytes_of(shot.jobs[0].output) == whole);
}

TEST_CASE("an input that is written to while it is read fails, and the next run does it") {
  Shot shot(1);
  const fs::path input = shot.jobs[0].input.path;
  // Large enough that the clock of the file system ticks while it is read.
  REQUIRE(write_frame(input,
                      trueplate::tests::make_plate(1024, 1024, SampleFormat::kFloat),
                      {.compression = "none", .overwrite = Overwrite::kAllow}));
  std::atomic<bool> stop{false};
  std::thread writer([&] {
    const auto time = fs::last_write_time(input);
    while (!stop) fs::last_write_time(input, time);
  });
  bool failed = false;
  for (int i = 0; i < 50 && !failed; ++i) {
    const SequenceSummary summary = shot.run("lens");
    failed = !summary.failed.empty();
    if (failed) CHECK(summary.failed[0].error.message.find("was written to") != std::string::npos);
    fs::remove(shot.jobs[0].output);
  }
  stop = true;
  writer.join();
  CHECK(failed);
  CHECK(shot.run("lens").done.size() == 1);
}

TEST_CASE("two runs of one range: each frame once under its name, nobody fails") {
  Shot shot(40);
  for (const Overwrite overwrite : {Overwrite::kRefuse, Overwrite::kAllow}) {
    std::vector<SequenceSummary> summaries(3);
    std::vector<std::thread> runs;
    for (SequenceSummary& summary : summaries) {
      runs.emplace_back([&summary, &shot, overwrite] { summary = shot.run("lens", overwrite); });
    }
    for (std::thread& run : runs) run.join();
    for (const SequenceSummary& summary : summaries) {
      CHECK(summary.failed.empty());
      CHECK(summary.done.size() + summary.complete.size() == 40);
    }
    CHECK(shot.run("lens").complete.size() == 40);
    for (const SequenceJob& job : shot.jobs) fs::remove(job.output);
    for (const auto& entry : fs::directory_iterator(shot.folder.path())) {
      CHECK(entry.path().filename().string().starts_with("in."));
    }
  }
}

TEST_CASE("leftovers of a killed run are cleared, files of the living stay") {
  Shot shot(2);
  const fs::path mine = temporary_path_for(shot.jobs[0].output);
  // This process id, but long ago.
  const std::string name = mine.filename().string();
  const std::size_t start = name.find('-', name.find('-') + 1) + 1;
  const fs::path dead =
      shot.folder.path() /
      fmt::format("{}1{}", name.substr(0, start), name.substr(name.find('-', start)));
  for (const fs::path& path : {mine, dead}) std::ofstream(path) << "half";
  const SequenceSummary summary = shot.run("lens");
  CHECK(summary.done.size() == 2);
  CHECK(summary.removed_leftovers == std::vector<fs::path>{dead});
  CHECK(fs::exists(mine));
}

TEST_CASE(
    "an input that is missing or broken is named as ever, whatever lies in its output's place") {
  Shot shot(3);
  shot.run("lens");
  fs::remove(shot.jobs[0].input.path);
  std::ofstream(shot.jobs[1].input.path) << "no picture";
  const SequenceSummary again = shot.run("lens");
  CHECK(again.complete == std::vector<std::string>{"in.3.exr"});
  REQUIRE(again.failed.size() == 2);
  CHECK(again.failed[0].error.code == ErrorCode::kNotFound);
  // Broken content is other content, and that is found first.
  CHECK(again.failed[1].error.code == ErrorCode::kExists);
  CHECK(shot.run("lens", Overwrite::kAllow).failed[1].error.code == ErrorCode::kUnreadable);
}
