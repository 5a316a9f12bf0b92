#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/map_misfit.h"
#include "calib/fit/fit.h"
#include "calib/lens/lens.h"

namespace trueplate::fit::detail {

/// Places spread over the plate, row by row, its corners and edges among them.
[[nodiscard]] std::vector<Point2d> plate_grid(ImageSize plate);

/// A place inside the plate and the share of its area that it stands for.
struct PlateNode {
  Point2d p_plate_px;
  double share = 0.0;
};
/// Places for means over the plate's area: what grows with a high power towards the corners is met.
[[nodiscard]] std::vector<PlateNode> plate_nodes(ImageSize plate);

/// How the plate position of a fixed ray answers to a change of the intrinsics and, where there is
/// one, of the coefficients of a misfit's field, after the absorbed motions have been fitted away
/// over a grid on the plate.
class MapResponse {
 public:
  /// The lens and the misfit (null: none) must outlive the response.
  MapResponse(const lens::Lens& lens, Absorbed absorbed, const MapMisfit* misfit = nullptr);

  /// 2 x (intrinsics, then coefficients of the field) at the ray seen at p_plate_px; nullopt where
  /// the lens has no inverse. A ray 90 degrees off the axis and beyond will do where the model has
  /// such.
  [[nodiscard]] std::optional<Eigen::Matrix2Xd> at(const Point2d& p_plate_px) const;

  [[nodiscard]] Eigen::Index num_intrinsics() const { return kernel_.num_intrinsics(); }

 private:
  struct Raw {
    Eigen::Matrix2Xd by_unknowns;
    Eigen::Matrix2Xd by_absorbed;
  };
  [[nodiscard]] std::optional<Raw> raw(const Point2d& p_plate_px) const;

  const lens::Lens& lens_;
  const ModelKernel& kernel_;
  const MapMisfit* misfit_;
  std::optional<PlateField> field_;
  Eigen::Index num_absorbed_ = 0;
  Eigen::MatrixXd absorption_;  // num_absorbed x unknowns
};

/// Standard deviation over the plate: root mean square, and the largest value with its place.
struct MapSigma {
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d worst_plate_px = {0.0, 0.0};
  double share = 0.0;  // of the places on the plate: those that see a ray
};
[[nodiscard]] MapSigma map_sigma(const lens::Lens& lens,
                                 const Eigen::MatrixXd& covariance,
                                 Absorbed absorbed,
                                 const MapMisfit* misfit = nullptr);

/// Of a fit as it stands: what is left after rotation and focal length.
[[nodiscard]] MapSigma map_sigma(const LensFit& fit);

/// Sets map_sigma_rms_px, map_sigma_max_px, map_sigma_share and the misfit's figures from lens,
/// covariance and misfit.
void state_map_sigma(LensFit& fit);

}  // namespace trueplate::fit::detail
