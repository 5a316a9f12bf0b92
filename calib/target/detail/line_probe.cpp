#include "calib/target/detail/line_probe.h"

#include <algorithm>
#include <cmath>

#include "calib/target/line_crossing.h"

namespace trueplate::target::detail {
namespace {

constexpr double kMinContrastShare = 0.3;
constexpr double kMaxLean = 0.3;      // rad, of the lines from the grid
constexpr double kMaxOffPlace = 0.2;  // share of a step, from the predicted place
constexpr int kSearchPixels = 450;    // of a window, about
constexpr double kMostWidthRatio = 2.0;

double cross(const Point2d& a, const Point2d& b) { return a.x() * b.y() - a.y() * b.x(); }

// By which share per px the width of a line that runs along `along` and lies across `across` grows
// along it; `change_along` and `change_across` are the derivatives of both by the way along it, in
// steps.
double taper(const Point2d& along,
             const Point2d& across,
             const Point2d& change_along,
             const Point2d& change_across) {
  const double length2 = along.squaredNorm();
  return ((cross(change_along, across) + cross(along, change_across)) / cross(along, across) -
          along.dot(change_along) / length2) /
         std::sqrt(length2);
}

LineCrossingGuess guess_at(const Prediction& at, const Looks& looks) {
  return {.p_px = at.p_px,
          .step_u_px = shorter_step_u(at),
          .step_v_px = shorter_step_v(at),
          .curvature_u = at.curvature_u(),
          .curvature_v = at.curvature_v(),
          .taper_u = taper(at.step_u_px, at.step_v_px, at.bend_uu_px, at.bend_uv_px),
          .taper_v = taper(at.step_v_px, at.step_u_px, at.bend_vv_px, at.bend_uv_px),
          .blur_px = looks.blur_px,
          .width_px = looks.width_px};
}

// How far the crossing of the middles between the lines' edges lies from the image of where their
// middles cross on the chart. An edge at the distance w / 2 on the chart is moved by half of w^2 /
// 4 times the second derivative across the line.
Point2d shift_by_bend(const LineCrossing& crossing, const Prediction& at) {
  const double det = cross(at.step_u_px, at.step_v_px);
  // Widths in steps: the lines through the neighbours are det / |step| away.
  const double width_u = crossing.width_u_px * at.step_u_px.norm() / det;
  const double width_v = crossing.width_v_px * at.step_v_px.norm() / det;
  const Point2d& u = crossing.direction_u;
  const Point2d& v = crossing.direction_v;
  const Point2d normal_u(-u.y(), u.x());
  const Point2d normal_v(-v.y(), v.x());
  const double off_u = normal_u.dot(at.bend_vv_px) * width_u * width_u / 8.0;
  const double off_v = normal_v.dot(at.bend_uu_px) * width_v * width_v / 8.0;
  const double normal_det = cross(normal_u, normal_v);
  return {(off_u * normal_v.y() - off_v * normal_u.y()) / normal_det,
          (normal_u.x() * off_v - normal_v.x() * off_u) / normal_det};
}

}  // namespace

Probe line_probe(ImageView<const float> image, Effort effort) {
  LineCrossingOptions options;
  if (effort == Effort::kSearch) {
    // Fewer pixels tell less of the shape; the last measurement is strict.
    options.most_pixels = kSearchPixels;
    options.min_separation -= 0.1;
  }
  return [=](Place /*place*/, const Prediction& at, const Looks& looks) -> std::optional<Node> {
    const LineCrossingGuess guess = guess_at(at, looks);
    const auto crossing = fit_line_crossing(image, guess, options);
    if (!crossing) return std::nullopt;
    if (std::abs(0.5 * crossing->contrast) < kMinContrastShare * looks.contrast)
      return std::nullopt;
    if ((crossing->p_px - at.p_px).norm() > std::max(1.0, kMaxOffPlace * at.square_px()))
      return std::nullopt;
    if (lean(crossing->direction_u, guess.step_u_px) > kMaxLean ||
        lean(crossing->direction_v, guess.step_v_px) > kMaxLean)
      return std::nullopt;
    const double width = 0.5 * (crossing->width_u_px + crossing->width_v_px);
    // Widths below the blur are little more than guesses.
    const double visible = std::max(width, crossing->blur_px);
    const double usual = std::max(looks.width_px, crossing->blur_px);
    if (looks.width_px > 0.0 &&
        (visible > kMostWidthRatio * usual || usual > kMostWidthRatio * visible))
      return std::nullopt;
    Node node;
    node.p_px = crossing->p_px - shift_by_bend(*crossing, at);
    node.covariance_px2 = crossing->covariance_px2;
    node.direction_u = crossing->direction_u;
    node.direction_v = crossing->direction_v;
    node.blur_px = crossing->blur_px;
    node.contrast = 0.5 * crossing->contrast;
    node.width_px = width;
    return node;
  };
}

}  // namespace trueplate::target::detail
