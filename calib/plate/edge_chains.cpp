#include "calib/plate/edge_chains.h"

#include <algorithm>

#include "calib/plate/detail/edge_pieces.h"
#include "calib/plate/detail/edge_points.h"

namespace trueplate::plate {
namespace {

constexpr int kLeastSide = 16;
constexpr double kLeastShare = 0.05;  // of the longer side
constexpr double kLeastScalePx = 1.0;
constexpr double kMostScalePx = 10.0;
constexpr std::size_t kStride = 2;  // the points between two tell little that these do not

}  // namespace

std::vector<std::vector<Point2d>> find_edge_chains(ImageView<const float> luma,
                                                   const EdgeOptions& options) {
  if (luma.width < kLeastSide || luma.height < kLeastSide || luma.channels < 1) return {};
  EdgeOptions used = options;
  used.scale_px = std::clamp(options.scale_px, kLeastScalePx, kMostScalePx);
  const double least_px = options.least_length_px > 0.0
                              ? options.least_length_px
                              : kLeastShare * std::max(luma.width, luma.height);
  std::vector<std::vector<Point2d>> pieces;
  for (const std::vector<Point2d>& chain : detail::linked(detail::edge_points(luma, used))) {
    for (std::vector<Point2d>& piece : detail::smooth_pieces(chain, least_px)) {
      pieces.push_back(std::move(piece));
    }
  }
  std::vector<std::vector<Point2d>> chains = detail::joined(std::move(pieces));
  for (std::vector<Point2d>& chain : chains) {
    std::size_t kept = 0;
    for (std::size_t i = 0; i < chain.size(); i += kStride) chain[kept++] = chain[i];
    chain.resize(kept);
  }
  return chains;
}

}  // namespace trueplate::plate
