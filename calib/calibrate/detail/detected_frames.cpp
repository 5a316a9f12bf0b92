#include "calib/calibrate/detail/detected_frames.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

namespace trueplate::detail {
namespace {

/// The most frequent value; the smallest of several equally frequent.
double most_frequent(const std::vector<double>& values, double fallback) {
  std::map<double, int> counts;
  for (const double value : values) ++counts[value];
  double best = fallback;
  int best_count = 0;
  for (const auto& [value, count] : counts) {
    if (count > best_count) {
      best = value;
      best_count = count;
    }
  }
  return best;
}

}  // namespace

bool is_observed(const DetectedFrame& frame) {
  return !frame.corners.empty() && frame.repeats.empty();
}

bool is_fitted(const DetectedFrame& frame) {
  return !frame.corners.empty() && frame.not_chosen.empty();
}

target::View view_of(const DetectedFrame& frame) {
  return {frame.name, frame.plate_size, frame.corners};
}

Result<void> any_chart(const std::vector<DetectedFrame>& frames) {
  if (std::any_of(frames.begin(), frames.end(), [](const DetectedFrame& frame) {
        return !frame.corners.empty();
      })) {
    return {};
  }
  const Error first = frames.empty() ? Error{} : *frames.front().error;
  return fail(
      ErrorCode::kNoChart,
      fmt::format("no chart in any of {} frames; the first: {}", frames.size(), first.message));
}

bool all_marked(const std::vector<DetectedFrame>& frames) {
  return std::all_of(frames.begin(), frames.end(), [](const DetectedFrame& frame) {
    return frame.corners.empty() || frame.origin == target::Origin::kMarked;
  });
}

double pixel_aspect_of(const std::vector<DetectedFrame>& frames) {
  std::vector<double> aspects;
  for (const DetectedFrame& frame : frames) {
    if (!frame.corners.empty()) aspects.push_back(frame.pixel_aspect);
  }
  return most_frequent(aspects, 1.0);
}

}  // namespace trueplate::detail
