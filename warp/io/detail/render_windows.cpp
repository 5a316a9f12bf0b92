#include "warp/io/detail/render_windows.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <vector>

#include "calib/base/utf8.h"

namespace trueplate::warp::detail {
namespace {

std::string to_text(ImageSize size) { return fmt::format("{}x{}", size.width, size.height); }

std::string to_text(const EdgePixels& edges) {
  return fmt::format("{},{},{},{}", edges.left, edges.top, edges.right, edges.bottom);
}

ImageSize with_overscan(ImageSize plate, const EdgePixels& edges) {
  return data_window({.width = plate.width, .height = plate.height}, edges).size();
}

/// How far a data window reaches beyond its display window; negative where it ends within. Windows
/// that lie further apart than any overscan are taken to lie that far.
EdgePixels edges_of(const FrameWindows& windows) {
  const Window& display = windows.display;
  const Window& data = windows.data;
  // Wide: the windows of a file may lie two billion pixels apart.
  const auto beyond = [](std::int64_t pixels) {
    constexpr std::int64_t kFar = 4 * std::int64_t{kMaxImageSide};
    return static_cast<int>(std::clamp(pixels, -kFar, kFar));
  };
  const std::int64_t left = std::int64_t{display.x} - data.x;
  const std::int64_t top = std::int64_t{display.y} - data.y;
  return {.left = beyond(left),
          .top = beyond(top),
          .right = beyond(data.width - display.width - left),
          .bottom = beyond(data.height - display.height - top)};
}

int largest_difference(const EdgePixels& a, const EdgePixels& b) {
  return std::max({std::abs(a.left - b.left),
                   std::abs(a.top - b.top),
                   std::abs(a.right - b.right),
                   std::abs(a.bottom - b.bottom)});
}

std::string to_text(const OwnOverscan& own) {
  return fmt::format("{} (what straightening with --filter {} --round {} adds)",
                     to_text(own.edges),
                     warp::to_text(own.filter),
                     own.round_to);
}

/// The numbers that fit a picture, or what they have to add up to.
std::string fitting_text(const RenderTerms& terms, ImageSize found) {
  const std::vector<OwnOverscan> fitting = terms.own.making(found, terms.round_to);
  std::string text;
  for (const OwnOverscan& own : fitting) {
    text += fmt::format("{}{}", text.empty() ? "--overscan " : " or ", to_text(own));
  }
  if (!text.empty()) return text + " fits";
  const ImageSize plate = terms.lenses.main.plate_size;
  text = fmt::format(
      "left and right have to add up to {} px, top and bottom to {}, for a plate of {} in a "
      "picture of {}",
      found.width - plate.width,
      found.height - plate.height,
      to_text(plate),
      to_text(found));
  const std::optional<EdgePixels> own = terms.own.with(terms.filter, terms.round_to);
  if (!own) return text;
  return text + fmt::format(" (this lens needs {}, which makes {})",
                            to_text(*own),
                            to_text(with_overscan(plate, *own)));
}

/// The plate that a stated overscan leaves.
Result<Window> plate_within(const Window& data, const EdgePixels& edges, const RenderTerms& terms) {
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
  const ImageSize plate = terms.lenses.main.plate_size;
  const bool has_overscan = edges != EdgePixels{};
  if (display.size() == plate || !has_overscan) return display;
  const double scale = static_cast<double>(display.width) / plate.width;
  if (std::abs(scale - 1.0) >= kResized && lens::for_picture_of(terms.lenses.main, display.size()))
    return display;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("an overscan of {} leaves a plate of {}, wanted {}: {}",
                          to_text(edges),
                          to_text(display.size()),
                          to_text(plate),
                          fitting_text(terms, data.size())));
}

/// Refuses parts of which numbers of one could not hold for the other.
Result<void> check_one_window(const footage::Frame& frame) {
  const Window data = frame.windows.data;
  for (const footage::Part& part : frame.further_parts) {
    if (part.windows.data == data) continue;
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("part {} has another data window than the first, {} and {}; an overscan "
                    "by numbers is for parts of one size",
                    printable(part.name),
                    to_text(part.windows.data.size()),
                    to_text(data.size())));
  }
  return {};
}

/// Doubt about stated numbers that fit the size: the file's own windows, or straightening, have
/// the plate elsewhere in the picture.
std::optional<Warning> stated_doubt(const RenderTerms& terms,
                                    const EdgePixels& stated,
                                    const FrameWindows& windows) {
  const auto doubt = [&](std::string_view who, const EdgePixels& other) {
    return Warning{"overscan-differs",
                   fmt::format("the overscan is stated as {}, {} {}: they differ by up to {} px; "
                               "the stated one was taken",
                               to_text(stated),
                               who,
                               to_text(other),
                               largest_difference(stated, other)),
                   static_cast<double>(largest_difference(stated, other))};
  };
  if (windows.display != windows.data) {
    const EdgePixels in_file = edges_of(windows);
    if (in_file == stated) return std::nullopt;
    return doubt("and the windows of the file say", in_file);
  }
  const ImageSize found = windows.data.size();
  if (with_overscan(terms.lenses.main.plate_size, stated) != found) return std::nullopt;
  const std::vector<OwnOverscan> own = terms.own.making(found, terms.round_to);
  const bool is_own = std::any_of(
      own.begin(), own.end(), [&](const OwnOverscan& one) { return one.edges == stated; });
  if (own.empty() || is_own) return std::nullopt;
  return doubt("and straightening makes a picture of this size with", own.front().edges);
}

/// The overscan of a percentage. Errors: a picture of another size than it gives.
Result<EdgePixels> of_percentage(const RenderTerms& terms, ImageSize found) {
  const lens::Lens& lens = terms.lenses.main;
  const Result<Overscan> edges = overscan(lens, terms.overscan, {.round_to = terms.round_to});
  if (!edges) return fail(edges.error());
  const ImageSize wanted = with_overscan(lens.plate_size, edges->edges);
  if (found == wanted) return edges->edges;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("found a picture of {}, wanted {}: the plate of {} with an overscan of "
                          "{}; say the overscan in pixels: {}",
                          to_text(found),
                          to_text(wanted),
                          to_text(lens.plate_size),
                          to_text(edges->edges),
                          fitting_text(terms, found)));
}

/// Whether a picture of the plate's shape may as well be the plate with overscan.
bool may_hold_overscan(const FrameWindows& windows, const RenderTerms& terms) {
  const ImageSize plate = terms.lenses.main.plate_size;
  const ImageSize found = windows.data.size();
  return terms.overscan.kind == OverscanRequest::Kind::kAuto && windows.display == windows.data &&
         found.width > plate.width && found.height > plate.height &&
         lens::for_picture_of(terms.lenses.main, found);
}

/// Refuses one that has just the size straightening makes: taking it for a resized plate would most
/// likely be wrong.
Result<void> refuse_either(const FrameWindows& windows, const RenderTerms& terms) {
  const ImageSize found = windows.data.size();
  if (!may_hold_overscan(windows, terms) || terms.own.making(found, terms.round_to).empty())
    return {};
  const ImageSize plate = terms.lenses.main.plate_size;
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("the picture of {} may be the plate of {} resized by {:.6g}, or the plate "
                  "with overscan: if it was resized, say --overscan none; {}",
                  to_text(found),
                  to_text(plate),
                  static_cast<double>(found.width) / plate.width,
                  overscan_advice(terms, found)));
}

/// An edge that has to hold `least` pixels, with room for a filter where it needs any.
int roomy(int least, int margin_px, int round_to) {
  if (least == 0) return 0;
  return (least + margin_px + round_to - 1) / round_to * round_to;
}

}  // namespace

std::optional<EdgePixels> OwnOverscans::with(Filter filter, int round_to) const {
  std::call_once(asked_, [&] {
    const Result<Overscan> found =
        common_overscan(lenses_.all(), {}, {.straight = lenses_.shared_pinhole()});
    if (found) least_ = found->edges;
  });
  if (!least_) return std::nullopt;
  // Rounding up whole pixels gives what rounding up the fractions would.
  const int margin_px = kernel_width(filter) / 2;
  return EdgePixels{.left = roomy(least_->left, margin_px, round_to),
                    .top = roomy(least_->top, margin_px, round_to),
                    .right = roomy(least_->right, margin_px, round_to),
                    .bottom = roomy(least_->bottom, margin_px, round_to)};
}

std::vector<OwnOverscan> OwnOverscans::making(ImageSize size, int round_to) const {
  std::vector<OwnOverscan> fitting;
  for (const Filter filter : {Filter::kCubic, Filter::kLanczos, Filter::kBilinear}) {
    for (const int rounding : {round_to, 2, 1, 4, 8, 16, 32, 64}) {
      const std::optional<EdgePixels> edges = with(filter, rounding);
      if (!edges || with_overscan(lenses_.main.plate_size, *edges) != size) continue;
      const bool known = std::any_of(fitting.begin(), fitting.end(), [&](const OwnOverscan& other) {
        return other.edges == *edges;
      });
      if (!known) fitting.push_back({*edges, filter, rounding});
    }
  }
  return fitting;
}

Result<void> take_stated_overscan(footage::Frame& frame, const RenderTerms& terms) {
  using Kind = OverscanRequest::Kind;
  if (terms.overscan.kind == Kind::kAuto) return refuse_either(frame.windows, terms);
  EdgePixels edges;
  if (terms.overscan.kind == Kind::kPixels) edges = terms.overscan.pixels;
  const Window data = frame.windows.data;
  if (terms.overscan.kind == Kind::kPercent) {
    const Result<EdgePixels> found = of_percentage(terms, data.size());
    if (!found) return fail(found.error());
    edges = *found;
  }
  if (Result<void> checked = check_one_window(frame); !checked) return checked;
  const Result<Window> display = plate_within(data, edges, terms);
  if (!display) return fail(display.error());
  if (terms.overscan.kind == Kind::kPixels) {
    if (auto doubt = stated_doubt(terms, edges, frame.windows)) {
      frame.warnings.push_back(*std::move(doubt));
    }
  }
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    frame.part(i).windows = {*display, {-edges.left, -edges.top, data.width, data.height}};
  }
  return {};
}

std::string overscan_advice(const RenderTerms& terms, ImageSize found) {
  return fmt::format(
      "if it is the plate with overscan, say how much on each edge with --overscan L,T,R,B: {}",
      fitting_text(terms, found));
}

std::optional<Warning> resize_doubt(const RenderTerms& terms, const FrameWindows& windows) {
  if (!may_hold_overscan(windows, terms)) return std::nullopt;
  const ImageSize plate = terms.lenses.main.plate_size;
  const ImageSize found = windows.data.size();
  const int more_x = found.width - plate.width;
  const int more_y = found.height - plate.height;
  const EdgePixels alike{.left = more_x / 2,
                         .top = more_y / 2,
                         .right = more_x - more_x / 2,
                         .bottom = more_y - more_y / 2};
  const double scale = static_cast<double>(found.width) / plate.width;
  return Warning{
      "overscan-or-resized",
      fmt::format("the picture of {} has the plate's shape and no windows: taken as the plate of "
                  "{} resized by {:.6g}. If it is the plate with {} px of overscan in x and {} in "
                  "y, say --overscan {} (the same on opposite edges); if it was resized, "
                  "--overscan none",
                  to_text(found),
                  to_text(plate),
                  scale,
                  more_x,
                  more_y,
                  to_text(alike)),
      scale};
}

std::optional<Warning> too_small(const FrameWindows& windows,
                                 const EdgePixels& needed,
                                 const EdgePixels& advised) {
  const EdgePixels has = edges_of(windows);
  const auto lacks = [](int needs, int extent) { return extent < 0 ? 0 : needs - extent; };
  const int missing = std::max({lacks(needed.left, has.left),
                                lacks(needed.top, has.top),
                                lacks(needed.right, has.right),
                                lacks(needed.bottom, has.bottom)});
  if (missing <= 0) return std::nullopt;
  return Warning{
      "render-too-small",
      fmt::format("the straight picture ends {} px before what the plate's edge and the filter at "
                  "it need: black there, or mixed with it. Render with an overscan of {} (left, "
                  "top, right, bottom)",
                  missing,
                  to_text(advised)),
      static_cast<double>(missing)};
}

}  // namespace trueplate::warp::detail
