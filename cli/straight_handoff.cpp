#include "cli/straight_handoff.h"

#include <fmt/format.h>

#include <atomic>
#include <optional>
#include <utility>

#include "calib/base/counted.h"
#include "calib/footage/frame_stream.h"

namespace trueplate::cli {
namespace {

/// The windows of the first frame that can be read; nullopt when none can.
std::optional<FrameWindows> first_windows(std::span<const warp::SequenceJob> jobs) {
  for (const warp::SequenceJob& job : jobs) {
    if (!job.input.movie_frame) {
      const Result<footage::Frame> header = footage::read_frame_header(job.input.path);
      if (header) return header->windows;
      continue;
    }
    footage::FrameStream stream({job.input});
    const std::optional<footage::FrameStream::Item> item = stream.next();
    if (item && item->frame) return item->frame->windows;
  }
  return std::nullopt;
}

}  // namespace

struct StraightHandoff::State {
  std::optional<FrameWindows> windows;     // of the straight picture
  std::atomic<std::size_t> num_others{0};  // frames with other windows
};

StraightHandoff::StraightHandoff(HandoffFiles files, std::unique_ptr<State> state)
    : files_(std::move(files)), state_(std::move(state)) {}
StraightHandoff::StraightHandoff(StraightHandoff&&) noexcept = default;
StraightHandoff::~StraightHandoff() = default;

Result<StraightHandoff> StraightHandoff::create(std::span<const warp::SequenceJob> jobs,
                                                const warp::LensWarp& lens_warp,
                                                const profile::Profile& profile,
                                                warp::Filter filter,
                                                HandoffFiles files,
                                                const OfShot& of_shot) {
  StraightHandoff result(std::move(files), std::make_unique<State>());
  if (!result.files_.wanted()) return result;
  const std::optional<FrameWindows> plate = first_windows(jobs);
  if (!plate) return result;
  const auto straight = lens_warp.straight_picture(plate->display.size());
  if (!straight) return result;
  if (of_shot) {
    const Result<ShotHandoff> shot =
        of_shot({.display = plate->display, .overscan_px = straight->overscan_px});
    if (!shot) return fail(shot.error());
    result.files_.set_content(shot_handoff_json(*shot), shot_handoff_text(*shot));
    result.state_->windows = shot->frames.front().handoff.straight;
    return result;
  }
  const Result<warp::Handoff> handoff =
      warp::make_handoff(straight->lens,
                         {.display_window = plate->display, .overscan_px = straight->overscan_px},
                         filter);
  if (!handoff) return fail(handoff.error());
  result.files_.set_content(*handoff, handoff_notes(profile, straight->lens, straight->warnings));
  result.state_->windows = handoff->straight;
  return result;
}

void StraightHandoff::finish(const warp::SequenceJob& job, footage::Frame& straight) const {
  if (state_->windows && straight.windows != *state_->windows) state_->num_others.fetch_add(1);
  if (!warp::keeps_windows(job.output)) straight.windows.display = straight.windows.data;
}

std::vector<Warning> StraightHandoff::warnings() const {
  const std::size_t count = state_->num_others.load();
  if (count == 0) return {};
  const ImageSize size = state_->windows->display.size();
  return {{"windows-differ",
           fmt::format("{} of other windows than the first; the numbers in {} are those of {}x{}",
                       counted(count, "frame"),
                       files_.json_path().string(),
                       size.width,
                       size.height),
           static_cast<double>(count)}};
}

}  // namespace trueplate::cli
