#include "calib/plate/detail/set_up.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {
namespace {

Result<void> check(const Tracks& tracks, const TrialOptions& options) {
  if (tracks.points.empty()) return fail(ErrorCode::kInvalidInput, "there are no tracks");
  const auto positive = [](double value) { return std::isfinite(value) && value > 0.0; };
  if ((options.focal_px && !positive(*options.focal_px)) || !positive(options.focal_ratio)) {
    return fail(ErrorCode::kInvalidInput, "focal length and its ratio have to be above zero");
  }
  if (options.focal_px && options.lens) {
    return fail(ErrorCode::kInvalidInput,
                "a focal length and a profile are given, wanted one: the profile has its own");
  }
  if (!options.keyframes) return {};
  const int count = static_cast<int>(tracks.frames.size());
  for (const int frame : *options.keyframes) {
    if (frame < 0 || frame >= count) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("keyframe {} does not exist, there are {} frames", frame, count));
    }
  }
  if ((*options.keyframes)[0] == (*options.keyframes)[1]) {
    return fail(ErrorCode::kInvalidInput, "the two keyframes are one, wanted two");
  }
  return {};
}

/// Tracks of another plate, or of this one in another size, would be solved to nonsense.
Result<void> check_on_plate(const Tracks& tracks, ImageSize size) {
  const Point2d limit(size.width, size.height);
  const auto is_outside = [&limit](const TrackPoint& point) {
    return (point.p_px.array() < 0.0).any() || (point.p_px.array() > limit.array()).any();
  };
  const auto num_outside = std::count_if(tracks.points.begin(), tracks.points.end(), is_outside);
  const auto num_points = static_cast<std::ptrdiff_t>(tracks.points.size());
  if (num_outside * 2 <= num_points) return {};
  const Point2d& first = std::find_if(tracks.points.begin(), tracks.points.end(), is_outside)->p_px;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{} of {} points lie outside the {}x{} plate (the first at {:.1f}, "
                          "{:.1f}), wanted most of them on it; are these its tracks, counted in "
                          "its pixels from its top left corner? check '# image:' and --size",
                          num_outside,
                          num_points,
                          size.width,
                          size.height,
                          first.x(),
                          first.y()));
}

}  // namespace

Result<Setup> set_up(const Tracks& tracks, const TrialOptions& options) {
  if (Result<void> checked = check(tracks, options); !checked) return fail(checked.error());
  Setup setup;
  setup.plate_size = tracks.plate_size;
  setup.focal_ratio = options.focal_ratio;
  setup.focal_px = options.focal_px;
  setup.has_profile = options.lens.has_value();
  if (setup.plate_size.width <= 0 && options.lens) setup.plate_size = options.lens->plate_size;
  if (setup.plate_size.width <= 0) {
    return fail(ErrorCode::kInvalidInput,
                "the tracks do not say the plate's size, wanted a line '# image: WIDTHxHEIGHT' "
                "before the header row, or --size WIDTHxHEIGHT");
  }
  if (Result<void> on_plate = check_on_plate(tracks, setup.plate_size); !on_plate) {
    return fail(on_plate.error());
  }
  if (!options.lens) {
    setup.plain = shot_of(tracks, setup.plate_size, setup.focal_ratio);
    setup.base = setup.plain;
    return setup;
  }
  Result<lens::Lens> lens = lens::for_picture_of(*options.lens, setup.plate_size);
  if (!lens) return fail(lens.error());
  setup.focal_px = lens->focal_px.x();
  setup.focal_ratio = lens->focal_px.y() / lens->focal_px.x();
  setup.plain = shot_of(tracks, setup.plate_size, setup.focal_ratio);
  // Radial terms about another centre than the profile's would be compared with it unfairly.
  setup.plain.centre_px = lens->principal_point_px;
  setup.base = straightened_shot(tracks, *lens);
  setup.plain.used = setup.base.used;
  return setup;
}

}  // namespace trueplate::plate::detail
