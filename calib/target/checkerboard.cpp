#include "calib/target/checkerboard.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>
#include <vector>

#include "calib/target/detail/corner_lattice.h"
#include "calib/target/detail/corner_probe.h"
#include "calib/target/detail/corner_search.h"
#include "calib/target/detail/finish.h"
#include "calib/target/detail/grow.h"
#include "calib/target/detail/join.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/detail/seams.h"
#include "calib/target/detail/search_image.h"

namespace trueplate::target {
namespace {

using detail::Colours;
using detail::Extent;
using detail::extent_of;
using detail::Lattice;
using detail::Place;

constexpr double kBeyondShare = 0.6;  // of a border's continuation that must be corners
constexpr double kPlainSquares = std::numeric_limits<double>::infinity();

/// What was found on a copy of the frame reduced by `factor`, in that copy's pixels.
struct Found {
  Lattice lattice;
  std::vector<Lattice> dropped;
  int factor = 1;
};

/// The largest piece with every other that certainly belongs to it.
Found join_pieces(std::vector<Lattice> pieces, int factor) {
  Found found;
  found.factor = factor;
  if (pieces.empty()) return found;
  found.lattice = detail::without_contradictions(pieces.front(), detail::kMaxOffPlace);
  pieces.erase(pieces.begin());
  // A joined piece may be the bridge to another.
  for (bool grown = true; grown;) {
    grown = false;
    for (auto piece = pieces.begin(); piece != pieces.end();) {
      if (auto both = detail::joined(found.lattice, *piece, Colours::kAlternate)) {
        found.lattice = std::move(*both);
        piece = pieces.erase(piece);
        grown = true;
      } else {
        ++piece;
      }
    }
  }
  // What a seed grew before a better one grew over it is no other part.
  for (Lattice& piece : pieces)
    if (!detail::lies_on(piece, found.lattice)) found.dropped.push_back(std::move(piece));
  return found;
}

/// The lattice of the wanted extent if one is found at any size, else the largest one.
Found search(ImageView<const float> luma,
             const std::optional<Extent>& wanted,
             const DetectOptions& options) {
  const int enough = wanted ? wanted->columns * wanted->rows : std::numeric_limits<int>::max();
  Found best;
  for (const int factor : detail::search_factors(luma, options.search_side_px)) {
    const Image<float> reduced = detail::reduce(luma, factor);
    Found found =
        join_pieces(detail::corner_lattices(reduced.view(), enough, kPlainSquares), factor);
    found.lattice = wanted ? detail::trimmed(found.lattice) : detail::without_strays(found.lattice);
    const bool match = wanted ? same_grid(extent_of(found.lattice), *wanted)
                              : found.lattice.size() >= detail::kPlentyNodes;
    if (match || found.lattice.size() > best.lattice.size()) best = std::move(found);
    if (match) break;
  }
  return best;
}

/// Whether most of the corners one step beyond a border, as far as the image shows them, are
/// corners too.
bool goes_on_past(ImageView<const float> image, const Lattice& lattice, Extent extent) {
  const detail::Probe probe =
      detail::corner_probe(image, detail::parity_of(lattice), {.max_reach_px = 7.0});
  const auto side = [&](int count, const auto& place_at) {
    int inside = 0;
    int corners = 0;
    for (int i = 0; i < count; ++i) {
      const Place place = place_at(i);
      const auto at = detail::predict(lattice, place, detail::OwnNode::kLeaveOut);
      if (!at) continue;
      const double reach = 0.5 * std::max(at->step_u_px.norm(), at->step_v_px.norm());
      if (!(at->p_px.x() >= reach && at->p_px.x() <= image.width - reach && at->p_px.y() >= reach &&
            at->p_px.y() <= image.height - reach))
        continue;
      ++inside;
      if (probe(place, *at, detail::looks_near(lattice, place, 3))) ++corners;
    }
    return inside >= 2 && corners >= kBeyondShare * inside;
  };
  return side(extent.rows, [](int i) { return Place(-1, i); }) ||
         side(extent.rows, [&](int i) { return Place(extent.columns, i); }) ||
         side(extent.columns, [](int i) { return Place(i, -1); }) ||
         side(extent.columns, [&](int i) { return Place(i, extent.rows); });
}

Unexpected found_too_few(int count, Extent grid) {
  const int wanted = grid.columns * grid.rows;
  return fail(ErrorCode::kNoChart,
              fmt::format("found {} of {} corners, need {} ({}x{})",
                          count,
                          wanted,
                          wanted,
                          grid.columns,
                          grid.rows));
}

Unexpected goes_on(Extent grid) {
  return fail(ErrorCode::kNoChart,
              fmt::format("the chart goes on past the {}x{} corners asked for; check --grid",
                          grid.columns,
                          grid.rows));
}

/// Why a lattice of another extent is not the chart.
Unexpected wrong_extent(const Lattice& lattice, Extent grid) {
  const Extent extent = extent_of(lattice);
  const auto [small, large] = std::minmax({extent.columns, extent.rows});
  const auto [least, most] = std::minmax({grid.columns, grid.rows});
  if (small >= least && large >= most) return goes_on(grid);
  if (small > least || large > most)
    return fail(ErrorCode::kNoChart,
                fmt::format("found a grid of {}x{} corners, need {}x{}; check --grid",
                            extent.columns,
                            extent.rows,
                            grid.columns,
                            grid.rows));
  return found_too_few(lattice.size(), grid);
}

Result<Detection> detect_free(ImageView<const float> luma,
                              double pitch_mm,
                              const DetectOptions& options) {
  const Found found = search(luma, std::nullopt, options);
  if (detail::too_few_free(found.lattice)) return detail::no_free_grid(found.lattice);
  const detail::EvenParts parts = detail::cut_at_seams(
      detail::measured(luma, found.lattice, found.factor, std::nullopt, kPlainSquares));
  Lattice lattice = detail::without_strays(parts.largest);
  if (detail::too_few_free(lattice)) return detail::no_free_grid(lattice);
  lattice = detail::oriented(lattice, extent_of(lattice), Colours::kAlternate);
  Detection detection;
  detection.corners = detail::corners_of(lattice, pitch_mm);
  detection.blur_px = detail::looks_of(lattice).blur_px;
  for (const Lattice& piece : found.dropped)
    detail::add_dropped(detail::scaled(piece, found.factor), detection);
  for (const Lattice& piece : parts.others) detail::add_dropped(piece, detection);
  detail::note_dropped(detection, "corners");
  return detection;
}

Result<Detection> detect_grid(ImageView<const float> luma,
                              const Chart& chart,
                              const DetectOptions& options) {
  const Extent grid{chart.columns, chart.rows};
  const Found found = search(luma, grid, options);
  if (!same_grid(extent_of(found.lattice), grid)) return wrong_extent(found.lattice, grid);
  const Lattice rough = detail::oriented(found.lattice, grid, Colours::kAlternate);
  const Lattice lattice =
      detail::cut_at_seams(detail::measured(luma, rough, found.factor, grid, kPlainSquares))
          .largest;
  const double enough = (1.0 - options.max_lost_share) * grid.columns * grid.rows;
  if (lattice.size() < enough) return found_too_few(lattice.size(), grid);
  if (goes_on_past(luma, lattice, grid)) return goes_on(grid);
  Detection detection;
  detection.corners = detail::corners_of(lattice, chart.pitch_mm);
  detection.blur_px = detail::looks_of(lattice).blur_px;
  const bool ends_differ = (grid.columns + grid.rows) % 2 != 0;
  detection.origin = ends_differ ? Origin::kMarked : Origin::kArbitrary;
  return detection;
}

}  // namespace

Result<Detection> detect_checkerboard(ImageView<const float> luma,
                                      const Chart& chart,
                                      const DetectOptions& options) {
  if (chart.kind != ChartKind::kCheckerboard)
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("chart: found kind {}, need checkerboard", chart_kind_name(chart.kind)));
  if (auto checked = check_detection_input(luma, chart, options); !checked)
    return fail(checked.error());
  return chart.grid_known() ? detect_grid(luma, chart, options)
                            : detect_free(luma, chart.pitch_mm, options);
}

}  // namespace trueplate::target
