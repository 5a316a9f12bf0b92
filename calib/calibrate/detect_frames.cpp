#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <tuple>

#include "calib/calibrate.h"
#include "calib/calibrate/detail/detected_frames.h"
#include "calib/calibrate/detail/frame_hashes.h"
#include "calib/calibrate/detail/visit_frames.h"
#include "calib/footage/field_motion.h"
#include "calib/footage/frame.h"
#include "calib/footage/repeats.h"
#include "calib/target/choice.h"
#include "calib/target/detect.h"

namespace trueplate {
namespace {

using detail::is_fitted;
using detail::is_observed;
using detail::view_of;

/// Judges the fields of a frame whose file may say that it is interlaced (warning `interlaced`), by
/// the pixels that its corners span.
void judge_fields(ImageView<const float> luma,
                  const std::vector<target::Corner>& corners_luma_px,
                  DetectedFrame& frame) {
  Point2d low(luma.width, luma.height);
  Point2d high(0.0, 0.0);
  for (const target::Corner& corner : corners_luma_px) {
    low = low.cwiseMin(corner.p_plate_px);
    high = high.cwiseMax(corner.p_plate_px);
  }
  const auto whole = [](double value, int limit) {
    return std::clamp(static_cast<int>(value), 0, limit);
  };
  const int x = whole(low.x(), luma.width);
  const int y = whole(low.y(), luma.height);
  const auto motion = footage::field_motion(luma,
                                            {.x = x,
                                             .y = y,
                                             .width = whole(high.x(), luma.width) - x,
                                             .height = whole(high.y(), luma.height) - y});
  if (motion) frame.field_motion_px = motion->typical_px;
  const auto is_file_word = [](const Warning& warning) { return warning.code == "interlaced"; };
  if (motion && motion->typical_px >= footage::kInterlacedPx) {
    frame.fields = target::Fields::kTwo;
    std::erase_if(frame.warnings, is_file_word);
    frame.warnings.push_back(
        {"field-motion",
         fmt::format("even and odd rows are of two moments, {:.1f} px apart: the frame is "
                     "interlaced, and corners lie between two places; shoot progressive, or "
                     "separate the fields",
                     motion->typical_px),
         motion->typical_px});
  } else if (std::any_of(frame.warnings.begin(), frame.warnings.end(), is_file_word)) {
    frame.fields = motion ? target::Fields::kStill : target::Fields::kTwo;
  }
}

/// What all frames of a call share.
struct Shared {
  detail::FrameHashes hashes;
  footage::RepeatFinder repeats;
};

/// What detection needs of a frame, and where it was read from.
struct ReadFrame {
  std::size_t index = 0;
  const footage::FrameRef& ref;
  const Result<footage::Frame>& frame;
};

DetectedFrame detect_frame(const ReadFrame& read,
                           const DetectFramesOptions& options,
                           Shared& shared) {
  const auto& [index, ref, frame] = read;
  DetectedFrame detected;
  detected.name = ref.name;
  detected.number = ref.number;
  FrameSight sight{.index = index};
  const auto failed = [&](const Error& error, const std::string& prefix = "") {
    if (sight.luma == nullptr) shared.repeats.skip(read.index);
    detected.error = Error{error.code, prefix + error.message};
    sight.error = &error;
    if (options.observer) options.observer(sight);
    return detected;
  };
  if (!frame) return failed(frame.error());
  detected.plate_size = frame->windows.display.size();
  detected.pixel_aspect = frame->pixel_aspect;
  detected.warnings = frame->warnings;
  const Result<std::string> sha256 = shared.hashes.of(ref);
  if (!sha256) return failed(sha256.error());
  detected.sha256 = *sha256;
  const Result<footage::Luma> luma = footage::plane_of(*frame, options.plane, 1);
  if (!luma) return failed(luma.error(), ref.name + ": ");
  sight.luma = &*luma;
  shared.repeats.add(index, luma->pixels.view());
  Result<target::Detection> detection = target::detect_chart(luma->pixels.view(), options.chart);
  if (!detection) return failed(detection.error(), ref.name + ": ");
  judge_fields(luma->pixels.view(), detection->corners, detected);
  sight.detection = &*detection;
  if (options.observer) options.observer(sight);
  detected.corners = std::move(detection->corners);
  detected.origin = detection->origin;
  detected.blur_px = detection->blur_px;
  for (Warning& warning : detection->warnings) detected.warnings.push_back(std::move(warning));
  // Detectors count in whole pitches of one length.
  const Point2d pitch_mm = options.chart.pitch_xy_mm();
  const double stretch_y = pitch_mm.y() / pitch_mm.x();
  for (target::Corner& corner : detected.corners) {
    corner.p_plate_px += luma->offset_px;
    corner.p_chart_mm.y() *= stretch_y;
  }
  return detected;
}

}  // namespace

Result<std::vector<DetectedFrame>> detect_frames(const footage::FrameSet& frames,
                                                 const DetectFramesOptions& options) {
  std::vector<DetectedFrame> detected(frames.frames.size());
  Shared shared{.hashes = {}, .repeats = footage::RepeatFinder(detected.size())};
  const Result<void> visited = detail::visit_frames(
      frames.frames, options, [&](std::size_t place, const Result<footage::Frame>& frame) {
        detected[place] = detect_frame(
            {.index = place, .ref = frames.frames[place], .frame = frame}, options, shared);
      });
  if (!visited) return fail(visited.error());
  const auto repeats = shared.repeats.repeats();
  for (std::size_t i = 0; i < repeats.size(); ++i) {
    if (repeats[i]) detected[i].repeats = detected[*repeats[i]].name;
  }
  for (const footage::LeftOut& left_out : frames.left_out) {
    DetectedFrame frame;
    frame.name = left_out.frame.name;
    frame.error = left_out.reason;
    detected.push_back(std::move(frame));
  }
  return detected;
}

void choose_frames(std::vector<DetectedFrame>& frames, int most) {
  for (DetectedFrame& frame : frames) frame.not_chosen.clear();
  if (most == 0) return;
  std::vector<target::Candidate> candidates;
  candidates.reserve(frames.size());
  for (const DetectedFrame& frame : frames) {
    candidates.push_back(
        {view_of(frame), frame.number, frame.blur_px, frame.repeats, frame.fields});
  }
  const std::vector<std::string> unsound = target::unsound_views(candidates);
  int count = 0;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (frames[i].corners.empty()) continue;
    frames[i].not_chosen = unsound[i];
    if (unsound[i].empty()) {
      ++count;
    } else {
      candidates[i].view.corners.clear();
    }
  }
  if (count <= most) return;
  const std::vector<target::ChoiceResult> choice =
      target::choose_views(candidates, {.most_views = most});
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (is_fitted(frames[i]) && !choice[i].chosen) frames[i].not_chosen = choice[i].reason;
  }
}

ImageSize common_plate_size(const std::vector<DetectedFrame>& frames) {
  std::map<std::tuple<long, int, int>, int> counts;  // by area, width and height
  for (const DetectedFrame& frame : frames) {
    const ImageSize size = frame.plate_size;
    if (is_observed(frame))
      ++counts[{static_cast<long>(size.width) * size.height, size.width, size.height}];
  }
  ImageSize common;
  int most = 0;
  for (const auto& [size, count] : counts) {
    if (count < most) continue;
    most = count;
    common = {std::get<1>(size), std::get<2>(size)};
  }
  return common;
}

}  // namespace trueplate
