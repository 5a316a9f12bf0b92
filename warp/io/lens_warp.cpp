#include "warp/io/lens_warp.h"

#include <fmt/format.h>

#include <algorithm>
#include <deque>
#include <mutex>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "warp/io/detail/channel_words.h"

namespace trueplate::warp {
namespace {

std::string to_text(ImageSize size) { return fmt::format("{}x{}", size.width, size.height); }

std::string to_text(const EdgePixels& edges) {
  return fmt::format("{},{},{},{}", edges.left, edges.top, edges.right, edges.bottom);
}

/// One lens for all channels, or those of the colours.
struct Lenses {
  lens::Lens main;  // of all channels but the following
  std::optional<lens::Lens> red = std::nullopt;
  std::optional<lens::Lens> blue = std::nullopt;

  [[nodiscard]] bool per_colour() const { return red.has_value(); }
  [[nodiscard]] std::vector<lens::Lens> all() const {
    if (!per_colour()) return {main};
    return {main, *red, *blue};
  }
};

/// The lenses for a picture of another size.
Result<Lenses> lenses_for(const Lenses& calibrated, ImageSize size) {
  Result<lens::Lens> main = lens::for_picture_of(calibrated.main, size);
  if (!main) return fail(main.error());
  Lenses lenses{.main = *std::move(main)};
  if (!calibrated.per_colour()) return lenses;
  Result<lens::Lens> red = lens::for_picture_of(*calibrated.red, size);
  if (!red) return fail(red.error());
  Result<lens::Lens> blue = lens::for_picture_of(*calibrated.blue, size);
  if (!blue) return fail(blue.error());
  lenses.red = *std::move(red);
  lenses.blue = *std::move(blue);
  return lenses;
}

/// What is needed for all frames of one display window.
struct Plan {
  Window display;
  PictureMaps maps;
  EdgePixels needed;  // kRedistort: overscan the straight picture should have
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

/// The pinhole that the straight pictures of all colours share, or they would not lie on each
/// other; nullopt for a single lens.
std::optional<StraightPinhole> shared_pinhole(const Lenses& lenses) {
  if (!lenses.per_colour()) return std::nullopt;
  return StraightPinhole{lenses.main.focal_px, lenses.main.principal_point_px};
}

/// The overscan that all lenses need together. The kernel looks beyond the plate's edge; with its
/// radius as margin no pixel of the plate is interpolated with black on the way back.
Result<Overscan> straight_overscan(const Lenses& lenses,
                                   const OverscanRequest& request,
                                   int round_to,
                                   Filter filter) {
  return common_overscan(lenses.all(),
                         request,
                         {.round_to = round_to,
                          .margin_px = kernel_width(filter) / 2,
                          .straight = shared_pinhole(lenses)});
}

Result<Plan> make_plan(const Lenses& calibrated,
                       const Window& display,
                       const LensWarpOptions& options,
                       int threads) {
  const Result<Lenses> lenses = lenses_for(calibrated, display.size());
  if (!lenses) return fail(lenses.error());
  const ImageSize plate = calibrated.main.plate_size;
  Plan plan;
  plan.display = display;
  if (lenses->main.plate_size != plate) {
    plan.warnings.push_back({"lens-scaled",
                             fmt::format("the picture is {}, the lens was calibrated on {}; it was "
                                         "scaled, which is right for a resized plate and wrong for "
                                         "a crop",
                                         to_text(display.size()),
                                         to_text(plate)),
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
      .display_window = display, .straight = shared_pinhole(*lenses), .threads = threads};
  if (undistort) {
    map_options.overscan_px = edges->edges;
  } else {
    plan.needed = edges->edges;
  }
  auto map = make_map(lenses->main, options.direction, map_options);
  if (!map) return fail(map.error());
  plan.maps.main = *std::move(map);
  if (!lenses->per_colour()) return plan;
  auto red = make_map(*lenses->red, options.direction, map_options);
  if (!red) return fail(red.error());
  auto blue = make_map(*lenses->blue, options.direction, map_options);
  if (!blue) return fail(blue.error());
  plan.maps.red = *std::move(red);
  plan.maps.blue = *std::move(blue);
  return plan;
}

/// Adds what a straight picture lacks. A side that ends within the display window is that of an
/// element on black, cropped to what is not: nothing is missing there.
void warn_if_too_small(footage::Frame& frame, const EdgePixels& needed) {
  const Window& display = frame.windows.display;
  const Window& data = frame.windows.data;
  const EdgePixels has{.left = display.x - data.x,
                       .top = display.y - data.y,
                       .right = data.x + data.width - display.x - display.width,
                       .bottom = data.y + data.height - display.y - display.height};
  const auto lacks = [](int needs, int extent) { return extent < 0 ? 0 : needs - extent; };
  const int missing = std::max({lacks(needed.left, has.left),
                                lacks(needed.top, has.top),
                                lacks(needed.right, has.right),
                                lacks(needed.bottom, has.bottom)});
  if (missing <= 0) return;
  frame.warnings.push_back(
      {"render-too-small",
       fmt::format("the straight picture ends {} px before the plate's edge; those pixels stay "
                   "black. Render with an overscan of {} (left, top, right, bottom)",
                   missing,
                   to_text(needed)),
       static_cast<double>(missing)});
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

/// Redefines the windows of a picture that carries `edges` of overscan without saying so, and of
/// its further parts.
Result<void> name_overscan(footage::Frame& frame, const EdgePixels& edges) {
  const Window data = frame.windows.data;
  for (const footage::Part& part : frame.further_parts) {
    if (part.windows.data == data) continue;
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("part {} has another data window than the first, {} and {}; an overscan "
                    "by numbers is for parts of one size",
                    part.name,
                    to_text(part.windows.data.size()),
                    to_text(data.size())));
  }
  const Window display{.x = 0,
                       .y = 0,
                       .width = data.width - edges.left - edges.right,
                       .height = data.height - edges.top - edges.bottom};
  if (display.empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a picture of {} has no room for an overscan of {}",
                            to_text(data.size()),
                            to_text(edges)));
  }
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    frame.part(i).windows = {display, {-edges.left, -edges.top, data.width, data.height}};
  }
  return {};
}

/// The overscan that the caller says the input has; nullopt: as its windows say.
Result<std::optional<EdgePixels>> stated_overscan(const lens::Lens& lens,
                                                  const LensWarpOptions& options,
                                                  ImageSize input) {
  using Kind = OverscanRequest::Kind;
  if (options.overscan.kind == Kind::kAuto) return std::optional<EdgePixels>();
  if (options.overscan.kind == Kind::kPixels) return std::optional(options.overscan.pixels);
  if (options.overscan.kind == Kind::kNone) return std::optional(EdgePixels{});
  const Result<Overscan> edges = overscan(lens, options.overscan, {.round_to = options.round_to});
  if (!edges) return fail(edges.error());
  const Window plate{.width = lens.plate_size.width, .height = lens.plate_size.height};
  const ImageSize wanted = data_window(plate, edges->edges).size();
  if (input == wanted) return std::optional(edges->edges);
  return fail(ErrorCode::kInvalidInput,
              fmt::format("found a picture of {}, wanted {}: the plate of {} with an overscan of "
                          "{}; say the overscan in pixels, L,T,R,B",
                          to_text(input),
                          to_text(wanted),
                          to_text(lens.plate_size),
                          to_text(edges->edges)));
}

}  // namespace

struct LensWarp::Shared {
  Lenses lenses;
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
  Result<Lenses> lenses = lenses_for(shared_->lenses, plate);
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
  if (redistort) {
    const auto stated = stated_overscan(shared_->lenses.main, options, frame.windows.data.size());
    if (!stated) return fail(stated.error());
    if (*stated) {
      if (Result<void> named = name_overscan(frame, **stated); !named) return fail(named.error());
    }
  }
  const Result<Plan> plan = shared_->plan_for(frame.windows.display, threads);
  if (!plan) {
    const ImageSize plate = shared_->lenses.main.plate_size;
    const Result<Overscan> needed = straight_overscan(
        shared_->lenses, OverscanRequest{}, options.round_to, options.passes.filter);
    const ImageSize found = frame.windows.display.size();
    if (redistort && needed && found.width > plate.width && found.height > plate.height) {
      return fail(plan.error().code,
                  fmt::format("{}; if the picture carries overscan, say how much on each edge with "
                              "--overscan L,T,R,B (this lens needs {})",
                              plan.error().message,
                              to_text(needed->edges)));
    }
    return fail(plan.error());
  }
  frame.warnings.insert(frame.warnings.end(), plan->warnings.begin(), plan->warnings.end());
  if (redistort) warn_if_too_small(frame, plan->needed);

  if (shared_->lenses.per_colour()) {
    if (Result<void> checked = check_colours(frame); !checked) return fail(checked.error());
  }
  return warp_parts(std::move(frame), plan->maps, options.passes, shared_->notes, threads);
}

}  // namespace trueplate::warp
