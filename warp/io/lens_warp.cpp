#include "warp/io/lens_warp.h"

#include <fmt/format.h>

#include <algorithm>
#include <mutex>
#include <utility>

namespace trueplate::warp {
namespace {

std::string to_text(ImageSize size) { return fmt::format("{}x{}", size.width, size.height); }

std::string to_text(const EdgePixels& edges) {
  return fmt::format("{},{},{},{}", edges.left, edges.top, edges.right, edges.bottom);
}

/// What is needed for all frames of one display window.
struct Plan {
  Window display;
  std::shared_ptr<const StMap> map;
  EdgePixels needed;  // kRedistort: overscan the straight picture should have
  std::vector<Warning> warnings;
};

Result<Plan> make_plan(const lens::Lens& calibrated,
                       const Window& display,
                       const LensWarpOptions& options,
                       int threads) {
  const Result<lens::Lens> lens = lens::for_picture_of(calibrated, display.size());
  if (!lens) return fail(lens.error());
  Plan plan{.display = display, .map = nullptr, .needed = {}, .warnings = {}};
  if (lens->plate_size != calibrated.plate_size) {
    plan.warnings.push_back({"lens-scaled",
                             fmt::format("the picture is {}, the lens was calibrated on {}; it was "
                                         "scaled, which is right for a resized plate and wrong for "
                                         "a crop",
                                         to_text(display.size()),
                                         to_text(calibrated.plate_size)),
                             static_cast<double>(display.width) / calibrated.plate_size.width});
  }
  const bool undistort = options.direction == MapDirection::kUndistort;
  // The kernel looks beyond the plate's edge; with its radius as margin no pixel of the plate is
  // interpolated with black on the way back.
  const OverscanOptions overscan_options{.round_to = undistort ? options.round_to : 1,
                                         .margin_px = kernel_width(options.filter) / 2};
  const Result<Overscan> edges =
      overscan(*lens, undistort ? options.overscan : OverscanRequest{}, overscan_options);
  if (!edges) return fail(edges.error());
  plan.warnings.insert(plan.warnings.end(), edges->warnings.begin(), edges->warnings.end());

  MapOptions map_options{.display_window = display, .threads = threads};
  if (undistort) {
    map_options.overscan_px = edges->edges;
  } else {
    plan.needed = edges->edges;
  }
  Result<StMap> map =
      undistort ? make_undistort_map(*lens, map_options) : make_redistort_map(*lens, map_options);
  if (!map) return fail(map.error());
  plan.map = std::make_shared<const StMap>(std::move(*map));
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

/// Redefines the windows of a picture that carries `edges` of overscan without saying so.
Result<void> name_overscan(footage::Frame& frame, const EdgePixels& edges) {
  const Window data = frame.windows.data;
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
  frame.windows.display = display;
  frame.windows.data = {-edges.left, -edges.top, data.width, data.height};
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
  lens::Lens lens;
  LensWarpOptions options;
  mutable std::mutex mutex;
  mutable std::optional<Plan> plan;  // of the last display window

  Result<Plan> plan_for(const Window& display, int threads) const {
    // Held while the map is made: frames of the same size wait for it instead of making their own.
    const std::lock_guard lock(mutex);
    if (plan && plan->display == display) return *plan;
    Result<Plan> made = make_plan(lens, display, options, threads);
    if (made) plan = *made;
    return made;
  }
};

LensWarp::LensWarp(lens::Lens lens, const LensWarpOptions& options)
    : shared_(std::make_unique<Shared>()) {
  shared_->lens = std::move(lens);
  shared_->options = options;
}
LensWarp::~LensWarp() = default;
LensWarp::LensWarp(LensWarp&&) noexcept = default;
LensWarp& LensWarp::operator=(LensWarp&&) noexcept = default;

Result<footage::Frame> LensWarp::apply(footage::Frame frame, int threads) const {
  const LensWarpOptions& options = shared_->options;
  const bool redistort = options.direction == MapDirection::kRedistort;
  if (redistort) {
    const auto stated = stated_overscan(shared_->lens, options, frame.windows.data.size());
    if (!stated) return fail(stated.error());
    if (*stated) {
      if (Result<void> named = name_overscan(frame, **stated); !named) return fail(named.error());
    }
  }
  const Result<Plan> plan = shared_->plan_for(frame.windows.display, threads);
  if (!plan) {
    const ImageSize plate = shared_->lens.plate_size;
    const Result<Overscan> needed = overscan(shared_->lens, OverscanRequest{});
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

  Result<Image<float>> pixels = resample({.pixels = frame.pixels.view(), .windows = frame.windows},
                                         *plan->map,
                                         {.filter = options.filter, .threads = threads});
  if (!pixels) return fail(pixels.error());
  frame.pixels = std::move(*pixels);
  frame.windows = plan->map->output;
  return frame;
}

}  // namespace trueplate::warp
