#include "calib/target/detail/corner_search.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>

#include "calib/target/detail/corner_probe.h"
#include "calib/target/detail/finish.h"
#include "calib/target/detail/grow.h"
#include "calib/target/detail/predict.h"
#include "calib/target/detection.h"

namespace trueplate::target::detail {
namespace {

constexpr double kDoubtfulFactor = 4.0;  // see without_doubtful()
constexpr double kDoubtfulPx = 0.02;
constexpr double kNearerReachPx = 6.0;

}  // namespace

bool lies_on(const Lattice& piece, const Lattice& lattice) {
  std::vector<std::pair<Point2d, double>> discs;
  for (const auto& [place, node] : lattice.nodes())
    if (const auto at = predict(lattice, place, OwnNode::kUse))
      discs.emplace_back(node.p_px, at->square_px());
  int on = 0;
  for (const auto& [place, node] : piece.nodes()) {
    const Point2d& p = node.p_px;
    if (std::any_of(discs.begin(), discs.end(), [&](const auto& disc) {
          return (disc.first - p).norm() < disc.second;
        }))
      ++on;
  }
  return 2 * on > piece.size();
}

Lattice measured(ImageView<const float> luma,
                 const Lattice& rough,
                 int factor,
                 const std::optional<Extent>& extent,
                 double clear_share) {
  const int parity = parity_of(rough);
  const Probe probe = corner_probe(luma, parity, {.clear_share = clear_share});
  Lattice lattice = measured_again(scaled(rough, factor), probe);
  grow(lattice, [&](Place place, const Prediction& at, const Looks& looks) -> std::optional<Node> {
    if (extent && (place.first < 0 || place.second < 0 || place.first >= extent->columns ||
                   place.second >= extent->rows))
      return std::nullopt;
    return probe(place, at, looks);
  });
  return without_doubtful(
      without_contradictions(lattice, kMaxOffPlace),
      kDoubtfulFactor,
      kDoubtfulPx,
      corner_probe(luma, parity, {.max_reach_px = kNearerReachPx, .clear_share = clear_share}));
}

std::vector<Corner> corners_of(const Lattice& lattice, double pitch_mm) {
  std::vector<std::pair<Place, Corner>> corners;
  for (const auto& [place, node] : lattice.nodes())
    corners.emplace_back(Place(place.second, place.first),
                         corner_of(node, place.first * pitch_mm, place.second * pitch_mm));
  std::sort(corners.begin(), corners.end(), [](const auto& a, const auto& b) {
    return a.first < b.first;
  });
  std::vector<Corner> result;
  result.reserve(corners.size());
  for (const auto& [place, corner] : corners) result.push_back(corner);
  return result;
}

bool too_few_free(const Lattice& lattice) {
  const Extent extent = extent_of(lattice);
  return lattice.size() < kMinFreePoints || extent.columns < kMinFreeSide ||
         extent.rows < kMinFreeSide;
}

Unexpected no_free_grid(const Lattice& lattice) {
  return fail(ErrorCode::kNoChart,
              fmt::format("found {} corners of a checkerboard, need {}, {} or more each way",
                          lattice.size(),
                          kMinFreePoints,
                          kMinFreeSide));
}

}  // namespace trueplate::target::detail
