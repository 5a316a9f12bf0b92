#include "cli/frame_sequence.h"

#include <fmt/format.h>

#include <utility>

#include "calib/footage/frame_place.h"
#include "cli/sequence_report.h"

namespace trueplate::cli {

void add_sequence(CLI::App& app, SequenceArguments& arguments, const std::string& description) {
  add_frames(app, arguments.frames, description);
  app.add_option("-o,--output", arguments.output, "file, folder/ or pattern such as out.####.exr")
      ->required()
      ->type_name("PATTERN");
  app.add_option("--compression",
                 arguments.compression,
                 "of the output, such as zip, lzw, dwaa or jpeg:90; default: as the input")
      ->type_name("HOW");
  app.add_option("--in-flight", arguments.in_flight, "most frames in memory; 0: threads + 1")
      ->check(CLI::Range(0, 1024))
      ->type_name("N");
}

Result<FrameSequence> FrameSequence::create(const SequenceArguments& arguments,
                                            const CommonOptions& common) {
  Result<footage::FrameSet> frames =
      footage::resolve_frames(arguments.frames.arguments, arguments.frames.range);
  if (!frames) return fail(frames.error());
  Result<std::vector<warp::SequenceJob>> jobs = warp::make_jobs(frames->frames, arguments.output);
  if (!jobs) return fail(ErrorCode::kInvalidInput, jobs.error().message);
  FrameSequence sequence;
  sequence.frames_ = *std::move(frames);
  sequence.jobs_ = *std::move(jobs);
  sequence.write_ = {.compression = arguments.compression, .overwrite = common.overwrite_policy()};
  sequence.in_flight_ = arguments.in_flight;
  sequence.common_ = common;
  sequence.report_ = common;
  sequence.report_.overwrite = common.overwrite || is_earlier_report(common.json);
  for (const warp::SequenceJob& job : sequence.jobs_) {
    const Result<void> writable = warp::check_writable_format(job.output, sequence.write_);
    if (!writable) return fail(ErrorCode::kInvalidInput, writable.error().message);
  }
  return sequence;
}

std::vector<std::string> FrameSequence::outputs() const {
  std::vector<std::string> outputs;
  outputs.reserve(jobs_.size());
  for (const warp::SequenceJob& job : jobs_) outputs.push_back(job.output.string());
  return outputs;
}

Result<void> FrameSequence::check(const std::string& more_input) const {
  std::vector<std::string> all_inputs = inputs();
  all_inputs.push_back(more_input);
  return check_outputs(outputs(), all_inputs, report_, Overwrite::kAllow);
}

Result<void> FrameSequence::check_made(const std::string& settings) const {
  warp::SequenceOptions options;
  options.write = write_;
  options.settings = settings;
  return warp::check_sequence(jobs_, options);
}

Result<warp::SequenceSummary> FrameSequence::run(std::string_view what,
                                                 const std::string& settings,
                                                 const warp::FrameWarp& warp) const {
  footage::set_io_threads(common_.threads);
  Progress progress(common_, std::string(what));
  warp::SequenceOptions options;
  options.write = write_;
  options.read.parts = footage::Parts::kAll;
  options.settings = settings;
  options.max_frames_in_flight = in_flight_;
  options.threads = common_.threads;
  options.interrupt = &interrupt_flag();
  options.progress = [&](const warp::SequenceProgress& state) {
    progress.update(static_cast<int>(state.finished), static_cast<int>(state.total), state.frame);
  };
  const auto named = [&](footage::Frame frame, const warp::SequenceJob& job, int threads) {
    Result<warp::FrameInRows> warped = warp(std::move(frame), job, threads);
    if (warped) return warped;
    return Result<warp::FrameInRows>(
        fail(warped.error().code,
             fmt::format("{}: {}", footage::place_of(job.input), warped.error().message)));
  };
  return warp::process_sequence(jobs_, named, options);
}

}  // namespace trueplate::cli
