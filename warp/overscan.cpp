#include "warp/overscan.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include "calib/base/text.h"

namespace trueplate::warp {
namespace {

/// What rounding to whole pixels may cut off. The bounds come from samples a pixel apart, which
/// miss an extreme by about 1e-4 px for a strong lens; without this a bound of 18.0000001 would
/// cost a whole column.
constexpr double kCutPx = 1e-3;

/// Directions at which the fold is sampled: a third of a pixel apart on a 4096 px plate.
constexpr int kFoldSamples = 65536;

constexpr double kMaxPercent = 1000.0;

/// Window area over display area from which a warning is given: 41 percent more in both directions,
/// twice the 20 percent that is seen in practice (common practice, no source).
constexpr double kLargeAreaRatio = 2.0;

/// Share of a local field's fade, beyond which a picture that reaches outside it deserves a
/// warning: up to here a ten-thousandth of it is missing (the cube of a share of a cell).
constexpr double kFaded = 0.03;

void include(StraightBounds& bounds, const Point2d& p_px) {
  bounds.min_px = bounds.min_px.cwiseMin(p_px);
  bounds.max_px = bounds.max_px.cwiseMax(p_px);
}

int rounded_edge(double wanted_px, int round_to) {
  const double steps = std::ceil((wanted_px - kCutPx) / round_to);
  // A window beyond this is refused anyway; the limit keeps the conversion to int defined.
  return static_cast<int>(std::clamp(steps * round_to, 0.0, 4.0 * kMaxImageSide));
}

}  // namespace

Window data_window(const Window& display, const EdgePixels& edges) {
  return {display.x - edges.left,
          display.y - edges.top,
          display.width + edges.left + edges.right,
          display.height + edges.top + edges.bottom};
}

Result<OverscanRequest> parse_overscan(std::string_view text) {
  using Kind = OverscanRequest::Kind;
  const std::string_view word = trim(text);
  const auto refuse = [&] {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("overscan '{}': wanted none, auto, a percentage per side such as 8% (0 to {}), "
                    "or four whole numbers of pixels LEFT,TOP,RIGHT,BOTTOM (each 0 to {})",
                    text,
                    kMaxPercent,
                    kMaxImageSide));
  };
  if (word == "none") return OverscanRequest{.kind = Kind::kNone};
  if (word == "auto") return OverscanRequest{.kind = Kind::kAuto};
  if (word.ends_with('%')) {
    const std::optional<double> percent = parse_number(word.substr(0, word.size() - 1));
    if (!percent || *percent < 0.0 || *percent > kMaxPercent) return refuse();
    return OverscanRequest{.kind = Kind::kPercent, .percent = *percent};
  }
  const std::vector<std::string_view> fields = split(word, ',');
  if (fields.size() != 4) return refuse();
  int values[4] = {};
  for (std::size_t i = 0; i < 4; ++i) {
    const std::optional<int> value = parse_int(fields[i]);
    if (!value || *value < 0 || *value > kMaxImageSide) return refuse();
    values[i] = *value;
  }
  return OverscanRequest{.kind = Kind::kPixels,
                         .pixels = {values[0], values[1], values[2], values[3]}};
}

StraightBounds straight_bounds(const lens::Lens& lens) {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  StraightBounds bounds{.min_px = {kInfinity, kInfinity}, .max_px = {-kInfinity, -kInfinity}};
  const int width = lens.plate_size.width;
  const int height = lens.plate_size.height;
  long inside = 0;
  long total = 0;
  const auto visit = [&](double x, double y) {
    ++total;
    const std::optional<Point2d> p = lens::undistort_px(lens, {x, y});
    if (!p) return;
    ++inside;
    include(bounds, *p);
  };
  for (int x = 0; x <= width; ++x) {
    visit(x, 0.0);
    visit(x, height);
  }
  for (int y = 1; y < height; ++y) {
    visit(0.0, y);
    visit(width, y);
  }
  bounds.invertible_share = static_cast<double>(inside) / static_cast<double>(total);

  if (inside == total) return bounds;
  // The plate's invertible part is bounded by the fold, too: take the points of the domain's edge
  // that the lens images inside the plate. Just inside it, since the edge itself is excluded.
  for (int i = 0; i < kFoldSamples; ++i) {
    const double angle = 2.0 * std::numbers::pi * i / kFoldSamples;
    const Point2d direction(std::cos(angle), std::sin(angle));
    const double radius = lens::domain_radius(lens.model, direction);
    if (!std::isfinite(radius)) continue;
    const Point2d p_ideal = radius * (1.0 - 1e-9) * direction;
    const Point2d p_px = lens::px_from_ideal(lens, p_ideal);
    const std::optional<Point2d> p_plate_px = lens::distort_px(lens, p_px);
    if (p_plate_px && p_plate_px->x() >= 0.0 && p_plate_px->x() <= width &&
        p_plate_px->y() >= 0.0 && p_plate_px->y() <= height) {
      include(bounds, p_px);
    }
  }
  return bounds;
}

double overscan_factor(const StraightBounds& bounds, ImageSize plate_size) {
  const Point2d half(0.5 * plate_size.width, 0.5 * plate_size.height);
  const Point2d reach =
      (bounds.min_px - half).cwiseAbs().cwiseMax((bounds.max_px - half).cwiseAbs());
  return reach.cwiseQuotient(half).maxCoeff();
}

double overscan_factor(const EdgePixels& edges, ImageSize plate_size) {
  const StraightBounds bounds{
      .min_px = {-edges.left, -edges.top},
      .max_px = {plate_size.width + edges.right, plate_size.height + edges.bottom}};
  return overscan_factor(bounds, plate_size);
}

namespace {

/// A warning when a picture reaches out of what was measured place by place.
std::optional<Warning> beyond_field(const lens::Lens& lens,
                                    const EdgePixels& edges,
                                    const StraightPinhole& straight) {
  const std::optional<lens::LocalField> field = lens::local_field(lens.model);
  if (!field) return std::nullopt;
  const Point2d first(-edges.left, -edges.top);
  const Point2d last(lens.plate_size.width + edges.right, lens.plate_size.height + edges.bottom);
  const Point2d reach_px = (straight.principal_point_px - first)
                               .cwiseMax(last - straight.principal_point_px)
                               .cwiseMax(0.0);
  const Point2d beyond_px = reach_px - straight.focal_px.cwiseProduct(field->half_size);
  const Point2d fade_px = straight.focal_px.cwiseProduct(field->fade);
  if (!((beyond_px - kFaded * fade_px).maxCoeff() > 0.0)) return std::nullopt;
  return Warning{"beyond-field",
                 fmt::format("the straightened picture reaches {:.0f} px (x) and {:.0f} px (y) "
                             "beyond where the {} was fitted: there it is a guess that fades to "
                             "its formula, which stands alone from {:.0f} and {:.0f} px on",
                             std::max(0.0, beyond_px.x()),
                             std::max(0.0, beyond_px.y()),
                             lens::model_name(lens.model),
                             fade_px.x(),
                             fade_px.y()),
                 beyond_px.maxCoeff()};
}

/// Bounds in a straight picture with the lens's pinhole, in one with another.
StraightBounds moved(StraightBounds bounds, const lens::Lens& lens, const StraightPinhole& to) {
  for (Point2d* p : {&bounds.min_px, &bounds.max_px}) {
    *p = to.focal_px.cwiseProduct(lens::ideal_from_px(lens, *p)) + to.principal_point_px;
  }
  return bounds;
}

}  // namespace

Result<Overscan> overscan(const lens::Lens& lens,
                          const OverscanRequest& request,
                          const OverscanOptions& options) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  if (options.round_to < 1 || options.round_to > kMaxImageSide) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("overscan is to be rounded to a multiple of {}, wanted 1 to {}",
                            options.round_to,
                            kMaxImageSide));
  }
  if (options.margin_px < 0 || options.margin_px > kMaxImageSide) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("overscan margin is {} px, wanted 0 to {}", options.margin_px, kMaxImageSide));
  }
  const int width = lens.plate_size.width;
  const int height = lens.plate_size.height;
  Overscan result;
  StraightBounds bounds = straight_bounds(lens);
  if (options.straight) bounds = moved(bounds, lens, *options.straight);
  if (bounds.invertible_share < 1.0) {
    result.warnings.push_back(
        {"overscan-no-inverse",
         fmt::format("{:.1f} % of the plate's border has no inverse with this lens, so the "
                     "straightened picture cannot keep the whole plate; the profile is not "
                     "valid out to the corners",
                     100.0 * (1.0 - bounds.invertible_share)),
         1.0 - bounds.invertible_share});
  }
  // left, top, right, bottom
  double wanted[4] = {};
  switch (request.kind) {
    case OverscanRequest::Kind::kNone:
      break;
    case OverscanRequest::Kind::kAuto: {
      if (!(bounds.min_px.x() <= bounds.max_px.x())) {
        return fail(ErrorCode::kUnsupported,
                    "overscan auto: no part of the plate has an inverse with this lens; check the "
                    "profile, or give the overscan as a percentage or in pixels");
      }
      const double reach[4] = {-bounds.min_px.x(),
                               -bounds.min_px.y(),
                               bounds.max_px.x() - width,
                               bounds.max_px.y() - height};
      for (int i = 0; i < 4; ++i) wanted[i] = reach[i] > kCutPx ? reach[i] + options.margin_px : 0;
      break;
    }
    case OverscanRequest::Kind::kPercent:
      if (!(request.percent >= 0.0 && request.percent <= kMaxPercent)) {
        return fail(
            ErrorCode::kInvalidInput,
            fmt::format("overscan is {} percent, wanted 0 to {}", request.percent, kMaxPercent));
      }
      wanted[0] = wanted[2] = width * request.percent / 100.0;
      wanted[1] = wanted[3] = height * request.percent / 100.0;
      break;
    case OverscanRequest::Kind::kPixels: {
      const EdgePixels& p = request.pixels;
      if (std::min({p.left, p.top, p.right, p.bottom}) < 0) {
        return fail(ErrorCode::kInvalidInput,
                    fmt::format("overscan is {},{},{},{} px, wanted none negative",
                                p.left,
                                p.top,
                                p.right,
                                p.bottom));
      }
      wanted[0] = p.left;
      wanted[1] = p.top;
      wanted[2] = p.right;
      wanted[3] = p.bottom;
      break;
    }
  }
  const int round_to = request.kind == OverscanRequest::Kind::kPixels ? 1 : options.round_to;
  EdgePixels& edges = result.edges;
  edges = {rounded_edge(wanted[0], round_to),
           rounded_edge(wanted[1], round_to),
           rounded_edge(wanted[2], round_to),
           rounded_edge(wanted[3], round_to)};
  const double data_width = static_cast<double>(width) + edges.left + edges.right;
  const double data_height = static_cast<double>(height) + edges.top + edges.bottom;
  if (data_width > kMaxImageSide || data_height > kMaxImageSide) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("overscan makes a picture of {:.0f}x{:.0f} pixels from {}x{}, at most {} "
                    "a side are possible; give a smaller overscan in percent or pixels",
                    data_width,
                    data_height,
                    width,
                    height,
                    kMaxImageSide));
  }
  const StraightPinhole pinhole{lens.focal_px, lens.principal_point_px};
  if (auto warning = beyond_field(lens, edges, options.straight.value_or(pinhole))) {
    result.warnings.push_back(*std::move(warning));
  }
  const double area_ratio = data_width * data_height / (static_cast<double>(width) * height);
  if (area_ratio > kLargeAreaRatio) {
    result.warnings.push_back(
        {"overscan-large",
         fmt::format("the picture with overscan has {:.2f} times the area of the plate; if that is "
                     "not wanted, give the overscan as a percentage or in pixels",
                     area_ratio),
         area_ratio});
  }
  return result;
}

Result<Overscan> common_overscan(std::span<const lens::Lens> lenses,
                                 const OverscanRequest& request,
                                 const OverscanOptions& options) {
  Overscan common;
  for (const lens::Lens& lens : lenses) {
    const Result<Overscan> one = overscan(lens, request, options);
    if (!one) return fail(one.error());
    common.edges = {.left = std::max(common.edges.left, one->edges.left),
                    .top = std::max(common.edges.top, one->edges.top),
                    .right = std::max(common.edges.right, one->edges.right),
                    .bottom = std::max(common.edges.bottom, one->edges.bottom)};
    for (const Warning& warning : one->warnings) {
      const bool known =
          std::any_of(common.warnings.begin(), common.warnings.end(), [&](const Warning& other) {
            return other.code == warning.code;
          });
      if (!known) common.warnings.push_back(warning);
    }
  }
  return common;
}

}  // namespace trueplate::warp
