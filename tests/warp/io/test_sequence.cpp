#include "warp/io/sequence.h"

#include <doctest/doctest.h>
#include <sys/resource.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <latch>
#include <memory>
#include <span>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::footage::Frame;
using trueplate::footage::SampleFormat;
using trueplate::tests::make_frame;
using trueplate::tests::make_plate;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;

/// Frames in.1.exr .. in.<count>.exr whose red channel holds the frame number.
std::vector<SequenceJob> write_inputs(const fs::path& folder, int count) {
  std::vector<SequenceJob> jobs;
  for (int i = 1; i <= count; ++i) {
    const fs::path path = folder / ("in." + std::to_string(i) + ".exr");
    const Frame frame = make_frame(
        32, 16, {"R", "G", "B"}, SampleFormat::kHalf, [&](int, int, int) { return float(i); });
    REQUIRE(write_frame(path, frame));
    jobs.push_back(
        {{path, i, path.filename().string()}, folder / ("out." + std::to_string(i) + ".exr")});
  }
  return jobs;
}

/// Doubles the pixels.
Result<FrameInRows> doubled(Frame frame, const SequenceJob&, int) {
  for (std::size_t i = 0; i < frame.pixels.size(); ++i) frame.pixels.data()[i] *= 2.0F;
  return FrameInRows{std::move(frame)};
}

std::size_t count_files(const fs::path& folder, std::string_view prefix) {
  std::size_t count = 0;
  for (const auto& entry : fs::directory_iterator(folder)) {
    count += entry.path().filename().string().starts_with(prefix) ? 1 : 0;
  }
  return count;
}

}  // namespace

TEST_CASE("every frame is read, changed and written") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 9);
  for (const int threads : {1, 2, 5}) {
    std::vector<std::size_t> finished;
    SequenceOptions options{.progress =
                                [&](const SequenceProgress& progress) {
                                  CHECK(progress.total == 9);
                                  CHECK(progress.frame.starts_with("in."));
                                  finished.push_back(progress.finished);
                                },
                            .threads = threads};
    options.write.overwrite = Overwrite::kAllow;
    const auto summary = process_sequence(jobs, doubled, options);
    REQUIRE(summary);
    CHECK(summary->done.size() == 9);
    CHECK(summary->done.front() == "in.1.exr");
    CHECK(summary->failed.empty());
    CHECK(summary->skipped.empty());
    CHECK(summary->warnings.empty());
    CHECK(!summary->interrupted);
    CHECK(finished == std::vector<std::size_t>{1, 2, 3, 4, 5, 6, 7, 8, 9});
    for (int i = 1; i <= 9; ++i) {
      const auto frame = footage::read_frame(jobs[static_cast<std::size_t>(i - 1)].output);
      REQUIRE(frame);
      CHECK(frame->pixels.at(31, 15, 2) == 2.0F * static_cast<float>(i));
    }
  }
  CHECK(count_files(folder.path(), ".") == 0);
}

TEST_CASE("as many frames at a time as allowed, and no more") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 12);
  for (const int limit : {1, 2, 3}) {
    std::atomic<int> num_alive{0};
    std::atomic<int> most{0};
    const FrameWarp warp = [&](Frame frame, const SequenceJob&, int) -> Result<FrameInRows> {
      const int now = ++num_alive;
      for (int before = most; now > before && !most.compare_exchange_weak(before, now);) {
      }
      // Dies with the frame, and keeps the header alive until then.
      const std::shared_ptr<void> guard(nullptr,
                                        [&, header = frame.metadata](void*) { --num_alive; });
      frame.metadata = {guard, frame.metadata.get()};
      // Wait for company, within reason, so that the limit is reached.
      for (int i = 0; i < 200 && most < limit; ++i) std::this_thread::sleep_for(5ms);
      return FrameInRows{std::move(frame)};
    };
    SequenceOptions options{.max_frames_in_flight = limit, .threads = 2};
    options.write.overwrite = Overwrite::kAllow;
    const auto summary = process_sequence(jobs, warp, options);
    REQUIRE(summary);
    CHECK(summary->done.size() == 12);
    CHECK(most == limit);
    CHECK(num_alive == 0);
  }
}

TEST_CASE("a single frame gets all threads, many share them") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 4);
  std::atomic<int> threads_seen{0};
  const FrameWarp warp = [&](Frame frame, const SequenceJob&, int threads) -> Result<FrameInRows> {
    threads_seen = threads;
    return FrameInRows{std::move(frame)};
  };
  REQUIRE(process_sequence(std::span(jobs).first(1), warp, {.threads = 6}));
  CHECK(threads_seen == 6);
  // Six threads for three frames at a time: two each, more only once fewer frames are left. None is
  // done before all three are under way.
  std::latch under_way(3);
  const auto summary = process_sequence(
      std::span(jobs).first(3),
      [&](Frame frame, const SequenceJob& job, int threads) -> Result<FrameInRows> {
        if (job.input.number == 1) threads_seen = threads;
        under_way.arrive_and_wait();
        return FrameInRows{std::move(frame)};
      },
      {.write = {.overwrite = Overwrite::kAllow}, .max_frames_in_flight = 3, .threads = 6});
  REQUIRE(summary);
  CHECK(threads_seen == 2);
}

TEST_CASE("a frame that fails is named and the others go on") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 6);
  std::ofstream(jobs[1].input.path) << "no picture";
  fs::remove(jobs[2].input.path);
  const FrameWarp warp = [&](Frame frame, const SequenceJob& job, int) -> Result<FrameInRows> {
    if (job.input.number == 4) return fail(ErrorCode::kInvalidInput, "no lens for frame 4");
    if (job.input.number == 5) throw std::runtime_error("thrown");
    return FrameInRows{std::move(frame)};
  };
  const auto summary = process_sequence(jobs, warp, {.threads = 2});
  REQUIRE(summary);
  CHECK(summary->done == std::vector<std::string>{"in.1.exr", "in.6.exr"});
  REQUIRE(summary->failed.size() == 4);
  CHECK(summary->failed[0].name == "in.2.exr");
  CHECK(summary->failed[0].error.code == ErrorCode::kUnreadable);
  CHECK(summary->failed[1].error.code == ErrorCode::kNotFound);
  CHECK(summary->failed[2].error.message == "no lens for frame 4");
  CHECK(summary->failed[3].error.message.find("thrown") != std::string::npos);
  CHECK(count_files(folder.path(), "out.") == 2);
  CHECK(count_files(folder.path(), ".") == 0);
}

TEST_CASE("an interruption leaves whole frames only") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 20);
  for (const int threads : {1, 2}) {
    std::atomic<bool> interrupt{false};
    const FrameWarp warp = [&](Frame frame, const SequenceJob& job, int threads_here) {
      // The interruption comes before any later frame can be written.
      if (job.input.number == 6) {
        interrupt = true;
        interrupt.notify_all();
      } else if (job.input.number > 6) {
        interrupt.wait(false);
      }
      return doubled(std::move(frame), job, threads_here);
    };
    SequenceOptions options{.interrupt = &interrupt, .threads = threads};
    options.write.overwrite = Overwrite::kAllow;
    const auto summary = process_sequence(jobs, warp, options);
    REQUIRE(summary);
    CHECK(summary->interrupted);
    CHECK(summary->failed.empty());
    CHECK(summary->done.size() + summary->skipped.size() == 20);
    CHECK(summary->skipped.size() >= 15);
    CHECK(count_files(folder.path(), ".") == 0);
    for (const SequenceJob& job : jobs) {
      const bool is_done = std::find(summary->done.begin(), summary->done.end(), job.input.name) !=
                           summary->done.end();
      CHECK(fs::exists(job.output) == is_done);
      if (is_done) CHECK(footage::read_frame(job.output));
      fs::remove(job.output);
    }
  }
}

TEST_CASE("an interruption before the start does nothing") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 2);
  const std::atomic<bool> interrupt{true};
  const auto summary = process_sequence(jobs, doubled, {.interrupt = &interrupt});
  REQUIRE(summary);
  CHECK(summary->skipped.size() == 2);
  CHECK(count_files(folder.path(), "out.") == 0);
}

TEST_CASE("what cannot work is refused before any frame is touched") {
  const ScratchFolder folder;
  auto jobs = write_inputs(folder.path(), 3);
  bool touched = false;
  const FrameWarp warp = [&](Frame frame, const SequenceJob&, int) -> Result<FrameInRows> {
    touched = true;
    return FrameInRows{std::move(frame)};
  };
  const auto refused = [&](ErrorCode code, const SequenceOptions& options) {
    const auto summary = process_sequence(jobs, warp, options);
    REQUIRE(!summary);
    CAPTURE(summary.error().message);
    CHECK(summary.error().code == code);
    CHECK(!touched);
  };
  SUBCASE("an output that exists") {
    std::ofstream(jobs[2].output) << "precious";
    refused(ErrorCode::kExists, {});
    std::string content;
    std::ifstream(jobs[2].output) >> content;
    CHECK(content == "precious");
    CHECK(count_files(folder.path(), "out.") == 1);
  }
  SUBCASE("two frames into one file") {
    jobs[2].output = folder.path() / "." / jobs[0].output.filename();
    refused(ErrorCode::kInvalidInput, {});
  }
  SUBCASE("an output that is an input, even with leave to overwrite") {
    jobs[0].output = jobs[1].input.path;
    SequenceOptions options;
    options.write.overwrite = Overwrite::kAllow;
    refused(ErrorCode::kInvalidInput, options);
  }
  SUBCASE("no such folder") {
    jobs[1].output = folder.path() / "gone" / "out.exr";
    refused(ErrorCode::kUnwritable, {});
  }
  SUBCASE("a format we do not write") {
    jobs[1].output = folder.path() / "out.bmp";
    refused(ErrorCode::kUnsupported, {});
  }
  SUBCASE("a compression that does not fit") {
    SequenceOptions options;
    options.write.compression = "zap";
    refused(ErrorCode::kInvalidInput, options);
  }
  SUBCASE("nothing to do") {
    jobs.clear();
    refused(ErrorCode::kInvalidInput, {});
  }
}

TEST_CASE("a disk that fills up costs the frame, not the old one, and leaves no rubbish") {
  const ScratchFolder folder;
  std::vector<SequenceJob> jobs = write_inputs(folder.path(), 2);
  const fs::path large = folder.path() / "in.3.exr";
  REQUIRE(write_frame(large, make_plate(512, 512, SampleFormat::kFloat), {.compression = "none"}));
  jobs.push_back({{large, 3, "in.3.exr"}, folder.path() / "out.3.exr"});
  std::ofstream(jobs[2].output) << "precious";

  // A limit on the size of files acts like a disk that is full at that point.
  std::signal(SIGXFSZ, SIG_IGN);
  rlimit before{};
  REQUIRE(::getrlimit(RLIMIT_FSIZE, &before) == 0);
  const rlimit tight{100000, before.rlim_max};
  REQUIRE(::setrlimit(RLIMIT_FSIZE, &tight) == 0);
  SequenceOptions options{.threads = 2};
  options.write.overwrite = Overwrite::kAllow;
  const auto summary = process_sequence(jobs, doubled, options);
  REQUIRE(::setrlimit(RLIMIT_FSIZE, &before) == 0);

  REQUIRE(summary);
  CHECK(summary->done.size() == 2);
  REQUIRE(summary->failed.size() == 1);
  CHECK(summary->failed[0].error.code == ErrorCode::kUnwritable);
  CHECK(summary->failed[0].error.message.find("out.3.exr") != std::string::npos);
  std::string content;
  std::ifstream(jobs[2].output) >> content;
  CHECK(content == "precious");
  CHECK(count_files(folder.path(), ".") == 0);
}

TEST_CASE("once given up, it is said, even if a frame under way still finds room") {
  const ScratchFolder folder;
  const auto jobs = write_inputs(folder.path(), 8);
  // No file can take the place of a folder that holds something.
  for (const std::size_t i : {1, 2, 3}) fs::create_directories(jobs[i].output / "precious");
  std::atomic<std::size_t> num_finished{0};
  const FrameWarp warp = [&](Frame frame, const SequenceJob& job, int) -> Result<FrameInRows> {
    while (job.input.number == 1 && num_finished < 3) num_finished.wait(num_finished);
    return FrameInRows{std::move(frame)};
  };
  SequenceOptions options{.max_frames_in_flight = 2,
                          .progress =
                              [&](const SequenceProgress& progress) {
                                num_finished = progress.finished;
                                num_finished.notify_all();
                              },
                          .threads = 2};
  options.write.overwrite = Overwrite::kAllow;
  const auto summary = process_sequence(jobs, warp, options);
  REQUIRE(summary);
  CHECK(summary->gave_up);
  CHECK(summary->done == std::vector<std::string>{"in.1.exr"});
  CHECK(summary->failed.size() == 3);
  CHECK(summary->skipped.size() == 4);
}

TEST_CASE("jobs from frames and a pattern") {
  const ScratchFolder folder;
  write_inputs(folder.path(), 2);
  const std::vector<std::string> arguments = {(folder.path() / "in.#.exr").string()};
  const auto set = footage::resolve_frames(arguments);
  REQUIRE(set);
  const auto jobs = make_jobs(set->frames, (folder.path() / "new.##.png").string());
  REQUIRE(jobs);
  CHECK((*jobs)[1].output == folder.path() / "new.02.png");
  const auto summary = process_sequence(*jobs, doubled);
  REQUIRE(summary);
  CHECK(summary->done.size() == 2);
  // Half into 8 or 16-bit integers, and twice the frame number is above 1: both are told.
  REQUIRE(summary->warnings.size() == 2);
  CHECK(summary->warnings[0].warnings.size() == 2);
}
