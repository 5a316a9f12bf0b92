#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/fit.h"
#include "calib/lens/lens.h"

namespace trueplate::fit::detail {

/// Places spread over the plate, row by row, its corners and edges among them.
[[nodiscard]] std::vector<Point2d> plate_grid(ImageSize plate);

/// How the plate position of a fixed ray answers to a change of the intrinsics, after the absorbed
/// motions have been fitted away over a grid on the plate.
class MapResponse {
 public:
  MapResponse(const lens::Lens& lens, Absorbed absorbed);

  /// 2 x num_intrinsics at the ray seen at p_plate_px; nullopt where the lens has no inverse.
  [[nodiscard]] std::optional<Eigen::Matrix2Xd> at(const Point2d& p_plate_px) const;

 private:
  struct Raw {
    Eigen::Matrix2Xd by_intrinsics;
    Eigen::Matrix2Xd by_absorbed;
  };
  [[nodiscard]] std::optional<Raw> raw(const Point2d& p_plate_px) const;

  const lens::Lens& lens_;
  const ModelKernel& kernel_;
  Eigen::Index num_absorbed_ = 0;
  Eigen::MatrixXd absorption_;  // num_absorbed x num_intrinsics
};

/// Standard deviation over the plate: root mean square, and the largest value with its place.
struct MapSigma {
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d worst_plate_px = {0.0, 0.0};
};
[[nodiscard]] MapSigma map_sigma(const lens::Lens& lens,
                                 const Eigen::MatrixXd& covariance,
                                 Absorbed absorbed);

}  // namespace trueplate::fit::detail
