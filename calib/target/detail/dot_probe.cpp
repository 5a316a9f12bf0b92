#include "calib/target/detail/dot_probe.h"

#include <Eigen/LU>
#include <Eigen/SVD>
#include <algorithm>
#include <cmath>

#include "calib/target/dot.h"

namespace trueplate::target::detail {
namespace {

constexpr double kMinContrastShare = 0.3;
constexpr double kMostStretch = 1.6;      // longer to shorter axis of a dot, seen in steps
constexpr double kMaxOffPlace = 0.2;      // share of a step, from the predicted place
constexpr double kMostSizeRatio = 1.5;    // of diameters, on the chart
constexpr double kMostDiameter = 0.95;    // of a step: dots that touch are no dots
constexpr double kUnknownDiameter = 0.4;  // where a search begins that knows nothing

/// Longer to shorter axis of what a matrix makes of a circle.
double stretch(const Eigen::Matrix2d& matrix) {
  const Eigen::JacobiSVD<Eigen::Matrix2d> axes(matrix);
  return axes.singularValues()[0] / std::max(1e-12, axes.singularValues()[1]);
}

}  // namespace

Probe dot_probe(ImageView<const float> image, Effort effort) {
  DotOptions options;
  options.rough = effort == Effort::kSearch;
  return [=](Place /*place*/, const Prediction& at, const Looks& looks) -> std::optional<Node> {
    DotGuess guess;
    guess.p_px = at.p_px;
    guess.first << at.step_u_px, at.step_v_px;
    guess.second << at.bend_uu_px, at.bend_uv_px, at.bend_vv_px;
    const double det = guess.first.determinant();
    if (!(det > 0.0)) return std::nullopt;
    const double step_px = std::sqrt(det);
    const double diameter =
        looks.width_px > 0.0 ? std::min(kMostDiameter, looks.width_px / step_px) : kUnknownDiameter;
    guess.radius = 0.5 * diameter;
    guess.blur_px = looks.blur_px;
    // The neighbours as the local map without its bends sees them: on the far side they are nearer.
    const Eigen::Matrix2d inverse = guess.first.inverse();
    guess.spacing = 1e9;
    for (const double sign : {-1.0, 1.0}) {
      guess.spacing = std::min({guess.spacing,
                                (inverse * (sign * at.step_u_px + 0.5 * at.bend_uu_px)).norm(),
                                (inverse * (sign * at.step_v_px + 0.5 * at.bend_vv_px)).norm()});
    }
    const auto dot = fit_dot(image, guess, options);
    if (!dot) return std::nullopt;
    if (std::abs(0.5 * dot->contrast) < kMinContrastShare * looks.contrast) return std::nullopt;
    if ((dot->p_px - at.p_px).norm() > std::max(1.0, kMaxOffPlace * at.square_px()))
      return std::nullopt;
    // A round dot is round in steps of the grid, unless these are not the grid's: two lattices that
    // are sheared against each other have the same nodes.
    if (stretch(inverse * dot->px_from_circle) > kMostStretch) return std::nullopt;
    const double found = 2.0 * dot->radius;
    if (found > kMostDiameter) return std::nullopt;
    if (looks.width_px > 0.0 &&
        (found > kMostSizeRatio * diameter || diameter > kMostSizeRatio * found))
      return std::nullopt;
    Node node;
    node.p_px = dot->p_px;
    node.covariance_px2 = dot->covariance_px2;
    node.blur_px = dot->blur_px;
    node.contrast = 0.5 * dot->contrast;
    node.width_px = found * step_px;
    return node;
  };
}

}  // namespace trueplate::target::detail
