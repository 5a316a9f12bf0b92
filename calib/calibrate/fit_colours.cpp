#include <fmt/format.h>

#include <array>
#include <utility>
#include <vector>

#include "calib/calibrate.h"
#include "calib/calibrate/detail/used_frames.h"
#include "calib/calibrate/detail/visit_frames.h"
#include "calib/fit/colour_fit.h"

namespace trueplate {
namespace {

using detail::Corners;
using detail::UsedFrame;

/// What one frame gives: the points that green and the other colour both show.
struct FramePairs {
  std::vector<fit::ColourPair> red;
  std::vector<fit::ColourPair> blue;
};

std::vector<fit::ColourPair> pairs_of(const Corners& green, const Corners& colour) {
  std::vector<fit::ColourPair> pairs;
  for (std::size_t i = 0; i < green.size(); ++i) {
    if (green[i] && colour[i]) pairs.push_back({green[i]->p_plate_px, colour[i]->p_plate_px});
  }
  return pairs;
}

/// All three planes from the same places on, so that equal planes give equal points.
Result<FramePairs> measured(const footage::Frame& frame,
                            const target::Chart& chart,
                            const std::vector<target::Corner>& corners,
                            const detail::Predicted& predicted) {
  std::array<Corners, 3> found;
  constexpr std::array kPlanes{footage::Plane::kRed, footage::Plane::kGreen, footage::Plane::kBlue};
  for (std::size_t i = 0; i < kPlanes.size(); ++i) {
    Result<Corners> again = detail::measured_again(frame, kPlanes[i], chart, corners, predicted);
    if (!again) return fail(again.error());
    found[i] = *std::move(again);
  }
  return FramePairs{pairs_of(found[1], found[0]), pairs_of(found[1], found[2])};
}

profile::ColourLens on_file(const fit::ColourFit& fit, const lens::Lens& green) {
  return {.lens = fit.lens,
          .uncertainty = {profile::station_parameter_names(green), fit.covariance},
          .num_points = fit.num_pairs,
          .rms_px = fit.rms_px,
          .shift = {.rms_px = fit.shift.rms_px,
                    .rms_sigma_px = fit.shift.rms_sigma_px,
                    .max_px = fit.shift.max_px,
                    .max_sigma_px = fit.shift.max_sigma_px,
                    .max_at_px = fit.shift.max_at_px,
                    .p_value = fit.shift.p_value,
                    .significant = fit.shift.significant}};
}

Result<fit::ColourFit> fitted(const std::vector<FramePairs>& frames,
                              std::vector<fit::ColourPair> FramePairs::*colour,
                              std::string_view name,
                              const lens::Lens& green,
                              const fit::FitOptions& options) {
  std::vector<fit::ColourPair> all;
  for (const FramePairs& frame : frames)
    all.insert(all.end(), (frame.*colour).begin(), (frame.*colour).end());
  Result<fit::ColourFit> fit = fit::fit_colour(green, all, options);
  if (!fit) return fail(fit.error().code, fmt::format("{}: {}", name, fit.error().message));
  return fit;
}

}  // namespace

Result<void> fit_colours(const footage::FrameSet& frames,
                         const std::vector<DetectedFrame>& detected,
                         const DetectFramesOptions& detect_options,
                         const fit::FitOptions& fit_options,
                         Calibration& calibration) {
  const std::vector<UsedFrame> used = detail::used_frames(frames, calibration, detected);
  std::vector<Result<FramePairs>> found(used.size(), FramePairs{});
  const Result<void> visited = detail::visit_frames(
      detail::refs_of(used),
      detect_options,
      [&](std::size_t place, const Result<footage::Frame>& frame) {
        const UsedFrame& known = used[place];
        if (!frame) return;  // as measure_again(): what cannot be read any more adds nothing
        found[place] =
            measured(*frame, detect_options.chart, detected[known.in_set].corners, known.predicted);
      });
  if (!visited) return fail(visited.error());
  std::vector<FramePairs> pairs;
  for (std::size_t i = 0; i < found.size(); ++i) {
    if (!found[i]) {
      return fail(found[i].error().code,
                  fmt::format("{}: {}", used[i].ref.name, found[i].error().message));
    }
    pairs.push_back(*std::move(found[i]));
  }
  const lens::Lens& green = calibration.fit.lens;
  Result<fit::ColourFit> red = fitted(pairs, &FramePairs::red, "red", green, fit_options);
  if (!red) return fail(red.error());
  Result<fit::ColourFit> blue = fitted(pairs, &FramePairs::blue, "blue", green, fit_options);
  if (!blue) return fail(blue.error());
  profile::Station& station = calibration.profile.stations.front();
  station.channels = profile::Channels{.red = on_file(*red, green), .blue = on_file(*blue, green)};
  calibration.profile.provenance.method +=
      "; fitted to the green channel, red and blue each to where it shows the points beside green";
  calibration.colours = ColourFits{*std::move(red), *std::move(blue)};
  return {};
}

}  // namespace trueplate
