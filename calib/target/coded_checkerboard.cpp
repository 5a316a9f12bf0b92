#include "calib/target/coded_checkerboard.h"

#include <fmt/format.h>

#include <algorithm>
#include <limits>
#include <optional>
#include <utility>
#include <vector>

#include "calib/target/coded_layout.h"
#include "calib/target/detail/corner_lattice.h"
#include "calib/target/detail/corner_search.h"
#include "calib/target/detail/finish.h"
#include "calib/target/detail/grow.h"
#include "calib/target/detail/marker_places.h"
#include "calib/target/detail/seams.h"
#include "calib/target/detail/search_image.h"

namespace trueplate::target {
namespace {

using detail::CheckedLattice;
using detail::Extent;
using detail::Lattice;
using detail::PlacedPieces;

constexpr Extent kLargest{kCodedMaxSquaresX - 1, kCodedMaxSquaresY - 1};

struct Found {
  PlacedPieces placed;
  Lattice largest_piece;  // with or without markers
};

/// Pieces found on reduced copies of the image, in its own pixels.
Found search(ImageView<const float> luma, detail::MarkerReader& reader, int search_side_px) {
  Found best;
  for (const int factor : detail::search_factors(luma, search_side_px)) {
    const Image<float> reduced = detail::reduce(luma, factor);
    std::vector<Lattice> pieces = detail::corner_lattices(
        reduced.view(), std::numeric_limits<int>::max(), detail::kCodedClearShare);
    for (Lattice& piece : pieces)
      piece = detail::scaled(detail::without_contradictions(piece, detail::kMaxOffPlace), factor);
    if (!pieces.empty() && pieces.front().size() > best.largest_piece.size())
      best.largest_piece = pieces.front();
    PlacedPieces placed = detail::place_by_markers(pieces, reader);
    if (placed.lattice.size() > best.placed.lattice.size()) best.placed = std::move(placed);
    if (best.placed.lattice.size() >= detail::kPlentyNodes) break;
  }
  return best;
}

/// Corners that may belong to the chart: what grew beyond its border is none.
Lattice within(const Lattice& lattice, Extent extent) {
  Lattice result;
  for (const auto& [place, node] : lattice.nodes())
    if (place.first >= 0 && place.second >= 0 && place.first < extent.columns &&
        place.second < extent.rows)
      result.set(place, node);
  return result;
}

Unexpected no_markers(const Lattice& lattice) {
  std::vector<double> squares;
  for (const auto& [place, node] : lattice.nodes())
    if (const auto at = detail::predict(lattice, place, detail::OwnNode::kUse))
      squares.push_back(at->square_px());
  std::sort(squares.begin(), squares.end());
  return fail(
      ErrorCode::kNoChart,
      fmt::format("found {} corners but no {} markers that agree, on squares of {:.0f} px with a "
                  "blur of {:.1f} px; go nearer or sharper, or use --chart checkerboard",
                  lattice.size(),
                  detail::kMinAgreeing,
                  squares.empty() ? 0.0 : squares[squares.size() / 2],
                  detail::looks_of(lattice).blur_px));
}

/// The first marker beyond the grid of the print.
std::optional<int> marker_beyond(const std::vector<int>& ids, Extent grid) {
  const auto beyond = std::find_if(ids.begin(), ids.end(), [&](int id) {
    const ChartSquare square = coded_square(id);
    return square.column > grid.columns || square.row > grid.rows;
  });
  return beyond == ids.end() ? std::nullopt : std::optional(*beyond);
}

void add_warnings(const PlacedPieces& placed, int num_elsewhere, Detection& detection) {
  for (const Lattice& piece : placed.dropped) detail::add_dropped(piece, detection);
  if (detection.num_dropped_pieces > 0)
    detection.warnings.push_back(
        {"dropped-pieces",
         fmt::format(
             "{} corners in {} separate parts left out: neither markers nor even steps tie them "
             "to the {} corners used",
             detection.num_dropped_corners,
             detection.num_dropped_pieces,
             detection.corners.size()),
         static_cast<double>(detection.num_dropped_corners)});
  if (num_elsewhere > 0)
    detection.warnings.push_back(
        {"markers-elsewhere",
         fmt::format("{} markers belong elsewhere on the chart; the corners beside them are left "
                     "out",
                     num_elsewhere),
         static_cast<double>(num_elsewhere)});
}

}  // namespace

Result<Detection> detect_coded(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options) {
  if (chart.kind != ChartKind::kCoded)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found kind {}, need coded", chart_kind_name(chart.kind)));
  if (auto checked = check_detection_input(luma, chart, options); !checked)
    return fail(checked.error());
  if (chart.columns > kLargest.columns || chart.rows > kLargest.rows)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found a grid of {}x{}, coded charts have at most {}x{}",
                            chart.columns,
                            chart.rows,
                            kLargest.columns,
                            kLargest.rows));
  const Extent grid = chart.grid_known() ? Extent{chart.columns, chart.rows} : kLargest;
  detail::MarkerReader reader(luma);
  const Found found = search(luma, reader, options.search_side_px);
  if (detail::too_few_free(found.largest_piece)) return detail::no_free_grid(found.largest_piece);
  if (found.placed.lattice.size() == 0) return no_markers(found.largest_piece);
  if (const auto id = marker_beyond(found.placed.ids, grid))
    return fail(ErrorCode::kNoChart,
                fmt::format("marker {} stands beyond the {}x{} corners asked for; check --grid",
                            *id,
                            grid.columns,
                            grid.rows));
  const Lattice rough = within(found.placed.lattice, grid);
  const CheckedLattice checked = detail::without_disagreeing(
      detail::measured(luma, rough, 1, grid, detail::kCodedClearShare), reader);
  const detail::EvenParts parts = detail::cut_at_seams(checked.lattice);
  const Lattice lattice = detail::without_strays(parts.largest);
  if (detail::too_few_free(lattice)) return detail::no_free_grid(lattice);
  Detection detection;
  detection.corners = detail::corners_of(lattice, chart.pitch_mm);
  detection.origin = Origin::kMarked;
  detection.blur_px = detail::looks_of(lattice).blur_px;
  for (const Lattice& piece : parts.others) detail::add_dropped(piece, detection);
  add_warnings(found.placed, checked.num_elsewhere, detection);
  return detection;
}

}  // namespace trueplate::target
