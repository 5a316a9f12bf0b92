#include "calib/target/detail/finish.h"

#include <fmt/format.h>

#include <cmath>

namespace trueplate::target::detail {
namespace {

constexpr double kSigmaFloorPx = 0.001;  // rounding of the pixels, which the residuals do not show

}  // namespace

Corner corner_of(const Node& node, double x_mm, double y_mm) {
  return {.p_chart_mm = {x_mm, y_mm, 0.0},
          .p_plate_px = node.p_px,
          .sigma_px = std::hypot(node.sigma_px(), kSigmaFloorPx)};
}

void add_dropped(const Lattice& piece, Detection& detection) {
  ++detection.num_dropped_pieces;
  detection.num_dropped_corners += piece.size();
  for (const auto& [place, node] : piece.nodes()) detection.dropped_px.push_back(node.p_px);
}

void note_dropped(Detection& detection, std::string_view noun) {
  if (detection.num_dropped_pieces == 0) return;
  detection.warnings.push_back(
      {"dropped-pieces",
       fmt::format("{} {} in {} separate parts left out: how many columns and rows lie between "
                   "them and the {} used is not certain",
                   detection.num_dropped_corners,
                   noun,
                   detection.num_dropped_pieces,
                   detection.corners.size()),
       static_cast<double>(detection.num_dropped_corners)});
}

}  // namespace trueplate::target::detail
