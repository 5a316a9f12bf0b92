#pragma once

#include <Eigen/Geometry>
#include <cstdint>
#include <vector>

#include "calib/lens/lens.h"
#include "charts/synth/detail/set_scene.h"
#include "charts/synth/set.h"

namespace trueplate::synth::detail {

/// One sample of a picture: premultiplied light, and what was hit.
struct Sample {
  float red = 0.0F;
  float green = 0.0F;
  float blue = 0.0F;
  float alpha = 0.0F;
  std::uint32_t id = 0;  // differs between things whose common border has to be sampled finely
};

/// The set as one camera sees it, as a function of the place in the straight picture.
class SetView {
 public:
  /// Things that may be seen in one part of the picture.
  struct Candidates {
    std::vector<std::uint32_t> boxes, cards, cg_boxes, rings;
    [[nodiscard]] bool has_cg() const { return !cg_boxes.empty() || !rings.empty(); }
  };

  SetView(const lens::Lens& lens, const Eigen::Isometry3d& camera_from_set);

  /// Fills `out` with what overlaps the rectangle from `low` to `high`, undistorted px.
  void find_candidates(const Point2d& low, const Point2d& high, Candidates* out) const;

  /// The set at the place p_px (undistorted px), over an area of size_px squared.
  [[nodiscard]] Sample set_at(const Point2d& p_px, double size_px, const Candidates& near) const;

  /// The CG, transparent where there is none and where the set hides it.
  [[nodiscard]] Sample cg_at(const Point2d& p_px, double size_px, const Candidates& near) const;

  [[nodiscard]] const std::vector<SetMarker>& markers() const { return markers_; }

 private:
  struct Bounds {
    Point2d low, high;
  };

  [[nodiscard]] Ray ray_to(const Point2d& p_px) const;
  [[nodiscard]] Point2d footprint(const Ray& ray, const Hit& hit, double size_px) const;
  [[nodiscard]] Vector3d in_camera(const Vector3d& p_set) const;
  [[nodiscard]] Bounds bounds_of(const std::vector<Vector3d>& points_set) const;
  [[nodiscard]] Bounds bounds_of(const Box& box) const;
  [[nodiscard]] Bounds bounds_of(const Card& card) const;
  [[nodiscard]] std::optional<Hit> nearest(const Ray& ray, const Candidates& near) const;
  [[nodiscard]] bool sees(const Vector3d& p_set) const;
  [[nodiscard]] std::optional<Point2d> centroid_on_plate(const Card& ring) const;
  void add_marker(const Card& card);

  const lens::Lens& lens_;
  const SetScene& scene_;
  Eigen::Isometry3d camera_from_set_;
  Eigen::Matrix3d set_from_camera_rotation_;
  Vector3d eye_;
  std::vector<Card> rings_;
  std::vector<SetMarker> markers_;
  std::vector<Bounds> box_bounds_, card_bounds_, cg_bounds_, ring_bounds_;
};

}  // namespace trueplate::synth::detail
