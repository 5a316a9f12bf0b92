#include "calib/target/detail/corner_probe.h"

#include <algorithm>
#include <cmath>

#include "calib/target/detail/lattice_shape.h"

namespace trueplate::target::detail {
namespace {

constexpr double kMinContrastShare = 0.3;
constexpr double kMaxLean = 0.3;      // rad, of a corner's edges from the grid
constexpr double kMaxOffPlace = 0.2;  // share of a square, from the predicted place

}  // namespace

Node node_of(const Saddle& saddle) {
  return {.p_px = saddle.p_px,
          .covariance_px2 = saddle.covariance_px2,
          .direction_u = saddle.direction_u,
          .direction_v = saddle.direction_v,
          .blur_px = saddle.blur_px,
          .contrast = saddle.contrast};
}

SaddleGuess guess_at(const Prediction& at, double blur_px) {
  return {.p_px = at.p_px,
          .step_u_px = shorter_step_u(at),
          .step_v_px = shorter_step_v(at),
          .curvature_u = at.curvature_u(),
          .curvature_v = at.curvature_v(),
          .blur_px = blur_px};
}

Probe corner_probe(ImageView<const float> image, int parity, const SaddleOptions& options) {
  return [=](Place place, const Prediction& at, const Looks& looks) -> std::optional<Node> {
    const SaddleGuess guess = guess_at(at, looks.blur_px);
    const auto saddle = fit_saddle(image, guess, options);
    if (!saddle) return std::nullopt;
    if (std::abs(saddle->contrast) < kMinContrastShare * looks.contrast) return std::nullopt;
    if ((saddle->p_px - at.p_px).norm() > std::max(1.0, kMaxOffPlace * at.square_px()))
      return std::nullopt;
    if (lean(saddle->direction_u, guess.step_u_px) > kMaxLean ||
        lean(saddle->direction_v, guess.step_v_px) > kMaxLean)
      return std::nullopt;
    const Node node = node_of(*saddle);
    if (!has_colours(node, place, parity)) return std::nullopt;
    return node;
  };
}

}  // namespace trueplate::target::detail
