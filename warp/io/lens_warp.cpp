#include "warp/io/lens_warp.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <deque>
#include <mutex>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "warp/io/detail/channel_words.h"
#include "warp/io/detail/picture_lenses.h"
#include "warp/io/detail/render_windows.h"

namespace trueplate::warp {
namespace {

using detail::lenses_for;
using detail::PictureLenses;
using detail::straight_overscan;

/// Where the lens has in the output what lies at a position of the source.
OutputPlace output_place_of(const lens::Lens& lens, MapDirection direction) {
  const auto kept = std::make_shared<const lens::Lens>(lens);
  if (direction == MapDirection::kUndistort) {
    return [kept](const Point2d& p_plate_px) { return lens::undistort_px(*kept, p_plate_px); };
  }
  return [kept](const Point2d& p_straight_px) { return lens::distort_px(*kept, p_straight_px); };
}

/// What is needed for all frames of one display window.
struct Plan {
  Window display;
  PictureMaps maps;
  EdgePixels needed;   // kRedistort: overscan the straight picture should have
  EdgePixels advised;  // the same as straightening and the hand-off round it
  std::vector<Warning> warnings;
};

Result<std::shared_ptr<const StMap>> make_map(const lens::Lens& lens,
                                              MapDirection direction,
                                              const MapOptions& options) {
  Result<StMap> map = direction == MapDirection::kUndistort ? make_undistort_map(lens, options)
                                                            : make_redistort_map(lens, options);
  if (!map) return fail(map.error());
  return std::make_shared<const StMap>(std::move(*map));
}

Result<Plan> make_plan(const PictureLenses& calibrated,
                       const Window& display,
                       const LensWarpOptions& options,
                       int threads) {
  const Result<PictureLenses> lenses = lenses_for(calibrated, display.size());
  if (!lenses) return fail(lenses.error());
  const ImageSize plate = calibrated.main.plate_size;
  Plan plan;
  plan.display = display;
  if (lenses->main.plate_size != plate) {
    plan.warnings.push_back(
        {"lens-scaled",
         fmt::format("the picture is {}x{}, the lens was calibrated on {}x{}; it "
                     "was scaled, which is right for a resized plate and wrong "
                     "for a crop",
                     display.width,
                     display.height,
                     plate.width,
                     plate.height),
         static_cast<double>(display.width) / plate.width});
  }
  const bool undistort = options.direction == MapDirection::kUndistort;
  const Result<Overscan> edges =
      undistort
          ? straight_overscan(*lenses, options.overscan, options.round_to, options.passes.filter)
          : straight_overscan(*lenses, OverscanRequest{}, 1, options.passes.filter);
  if (!edges) return fail(edges.error());
  plan.warnings.insert(plan.warnings.end(), edges->warnings.begin(), edges->warnings.end());

  MapOptions map_options{
      .display_window = display, .straight = lenses->shared_pinhole(), .threads = threads};
  if (undistort) {
    map_options.overscan_px = edges->edges;
  } else {
    plan.needed = edges->edges;
    const Result<Overscan> advised =
        straight_overscan(*lenses, OverscanRequest{}, options.round_to, options.passes.filter);
    if (!advised) return fail(advised.error());
    plan.advised = advised->edges;
  }
  auto map = make_map(lenses->main, options.direction, map_options);
  if (!map) return fail(map.error());
  plan.maps.main = *std::move(map);
  plan.maps.output_place = output_place_of(lenses->main, options.direction);
  if (!lenses->per_colour()) return plan;
  auto red = make_map(*lenses->red, options.direction, map_options);
  if (!red) return fail(red.error());
  auto blue = make_map(*lenses->blue, options.direction, map_options);
  if (!blue) return fail(blue.error());
  plan.maps.red = *std::move(red);
  plan.maps.blue = *std::move(blue);
  return plan;
}

/// Refuses a frame none of whose parts has red and blue.
Result<void> check_colours(const footage::Frame& frame) {
  for (const std::string_view letter : {"R", "B"}) {
    bool found = false;
    for (std::size_t i = 0; i < frame.num_parts() && !found; ++i) {
      const std::vector<footage::Channel>& channels = frame.part(i).channels;
      found = std::any_of(channels.begin(), channels.end(), [&](const footage::Channel& channel) {
        return detail::layer_and_leaf(channel.name).leaf == letter;
      });
    }
    if (found) continue;
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("no channel is called {}, wanted R, G and B to treat each colour by its "
                    "own lens",
                    letter));
  }
  return {};
}

}  // namespace

struct LensWarp::Shared {
  PictureLenses lenses;
  detail::OwnOverscans own{lenses};
  LensWarpOptions options;
  mutable std::mutex mutex;
  mutable std::deque<Plan> plans;  // the one used last in front
  mutable std::size_t num_plans = 0;
  mutable ChannelNotes notes;

  Result<Plan> plan_for(const Window& display, int threads) const {
    // Held while the map is made: frames of the same size wait for it instead of making their own.
    const std::lock_guard lock(mutex);
    const auto found = std::find_if(
        plans.begin(), plans.end(), [&](const Plan& plan) { return plan.display == display; });
    if (found != plans.end()) {
      std::rotate(plans.begin(), found, found + 1);
      return plans.front();
    }
    Result<Plan> made = make_plan(lenses, display, options, threads);
    ++num_plans;
    if (!made) return made;
    if (plans.size() == kMostSizes) plans.pop_back();
    plans.push_front(*made);
    return made;
  }
};

LensWarp::LensWarp(lens::Lens lens, const LensWarpOptions& options)
    : shared_(std::make_unique<Shared>()) {
  shared_->lenses.main = std::move(lens);
  shared_->options = options;
}
LensWarp::LensWarp(LensPerColour lenses, const LensWarpOptions& options)
    : shared_(std::make_unique<Shared>()) {
  shared_->lenses = {std::move(lenses.green), std::move(lenses.red), std::move(lenses.blue)};
  shared_->options = options;
}
LensWarp::~LensWarp() = default;
LensWarp::LensWarp(LensWarp&&) noexcept = default;
LensWarp& LensWarp::operator=(LensWarp&&) noexcept = default;

Result<LensWarp::StraightPicture> LensWarp::straight_picture(ImageSize plate) const {
  const LensWarpOptions& options = shared_->options;
  Result<PictureLenses> lenses = lenses_for(shared_->lenses, plate);
  if (!lenses) return fail(lenses.error());
  Result<Overscan> edges =
      straight_overscan(*lenses, options.overscan, options.round_to, options.passes.filter);
  if (!edges) return fail(edges.error());
  return StraightPicture{.lens = std::move(lenses->main),
                         .overscan_px = edges->edges,
                         .warnings = std::move(edges->warnings)};
}

std::size_t LensWarp::num_maps_made() const {
  const std::lock_guard lock(shared_->mutex);
  return shared_->num_plans;
}

std::vector<TreatedChannel> LensWarp::treated_channels() const { return shared_->notes.list(); }

Result<footage::Frame> LensWarp::apply(footage::Frame frame, int threads) const {
  Result<FrameInRows> made = in_rows(std::move(frame), threads);
  if (!made) return fail(made.error());
  return whole_frame(*std::move(made), threads);
}

Result<FrameInRows> LensWarp::in_rows(footage::Frame frame, int threads) const {
  const LensWarpOptions& options = shared_->options;
  const bool redistort = options.direction == MapDirection::kRedistort;
  const detail::RenderTerms terms{.lenses = shared_->lenses,
                                  .own = shared_->own,
                                  .overscan = options.overscan,
                                  .round_to = options.round_to,
                                  .filter = options.passes.filter};
  if (redistort) {
    if (Result<void> taken = detail::take_stated_overscan(frame, terms); !taken) {
      return fail(taken.error());
    }
  }
  const Result<Plan> plan = shared_->plan_for(frame.windows.display, threads);
  if (!plan) {
    const ImageSize plate = shared_->lenses.main.plate_size;
    const ImageSize found = frame.windows.display.size();
    const bool may_be_overscan = redistort && frame.windows.display == frame.windows.data &&
                                 found.width > plate.width && found.height > plate.height;
    if (!may_be_overscan) return fail(plan.error());
    return fail(plan.error().code,
                fmt::format("{}; {}", plan.error().message, detail::overscan_advice(terms, found)));
  }
  frame.warnings.insert(frame.warnings.end(), plan->warnings.begin(), plan->warnings.end());
  if (redistort) {
    for (std::optional<Warning> warning :
         std::array{detail::resize_doubt(terms, frame.windows),
                    detail::too_small(frame.windows, plan->needed, plan->advised)}) {
      if (warning) frame.warnings.push_back(*std::move(warning));
    }
  }

  if (shared_->lenses.per_colour()) {
    if (Result<void> checked = check_colours(frame); !checked) return fail(checked.error());
  }
  return warp_parts(std::move(frame), plan->maps, options.passes, shared_->notes, threads);
}

}  // namespace trueplate::warp
