#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/target/detail/lattice.h"

namespace trueplate::target::detail {

/// What the neighbours say about a place of a lattice.
struct Prediction {
  Point2d p_px = {0.0, 0.0};
  /// Derivatives of the place by column and by row.
  Point2d step_u_px = {1.0, 0.0};
  Point2d step_v_px = {0.0, 1.0};
  /// Second derivatives: by column twice, column and row, row twice.
  Point2d bend_uu_px = {0.0, 0.0};
  Point2d bend_uv_px = {0.0, 0.0};
  Point2d bend_vv_px = {0.0, 0.0};
  /// Share of a step by which the neighbours depart from the surface through them, rms.
  double roughness = 0.0;
  int num_neighbours = 0;

  /// Curvature of the row through the place, 1/px, positive towards growing rows; that of the
  /// column, positive towards growing columns.
  [[nodiscard]] double curvature_u() const;
  [[nodiscard]] double curvature_v() const;
  /// Length of the shorter step.
  [[nodiscard]] double square_px() const;
};

/// The steps as a window about the place wants them: their directions, and the length of the
/// shorter of the two sides. The far side may be long under strong perspective, the near one must
/// not be overrun.
[[nodiscard]] Point2d shorter_step_u(const Prediction& at);
[[nodiscard]] Point2d shorter_step_v(const Prediction& at);

/// Angle between a unit vector and a step, rad.
[[nodiscard]] double lean(const Point2d& direction, const Point2d& step);

enum class OwnNode { kUse, kLeaveOut };

/// A quadratic surface through the nodes around a place (at most kPredictReach columns and rows
/// away, the nearest weigh most): follows distortion and perspective however much they change over
/// the frame, since no far node takes part. Nullopt unless the neighbours span both directions.
inline constexpr int kPredictReach = 3;
std::optional<Prediction> predict(const Lattice& lattice, Place place, OwnNode own);

}  // namespace trueplate::target::detail
