#include "charts/synth/detail/set_view.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

namespace trueplate::synth::detail {
namespace {

/// Ids: the faces of the room come first, then boxes, cards, CG and rings, eight for each.
constexpr std::uint32_t kFirstBox = 1;
constexpr std::uint32_t kFirstCard = 1U << 12U;
constexpr std::uint32_t kFirstCg = 2U << 12U;
constexpr std::uint32_t kFirstRing = 3U << 12U;
constexpr std::uint32_t kNothing = 0xffffffffU;

/// Outer radius of the rings on a plate 1920 pixels wide, px.
constexpr double kRingRadiusPx = 17.0;
/// A target seen more obliquely than this (cosine) is no use as one.
constexpr double kLeastFacing = 0.12;
constexpr double kNearest = 0.05;  // m in front of the eye

Sample sample_of(const Surface& surface, std::uint32_t id) {
  return {.red = static_cast<float>(surface.colour.x()),
          .green = static_cast<float>(surface.colour.y()),
          .blue = static_cast<float>(surface.colour.z()),
          .alpha = 1.0F,
          .id = id * 16U + surface.part};
}

}  // namespace

SetView::SetView(const lens::Lens& lens, const Eigen::Isometry3d& camera_from_set)
    : lens_(lens),
      scene_(set_scene()),
      camera_from_set_(camera_from_set),
      set_from_camera_rotation_(camera_from_set.linear().transpose()),
      eye_(-(set_from_camera_rotation_ * camera_from_set.translation())) {
  for (const Box& box : scene_.set.boxes) box_bounds_.push_back(bounds_of(box));
  for (const Card& card : scene_.set.cards) card_bounds_.push_back(bounds_of(card));
  for (const Box& box : scene_.cg_boxes) cg_bounds_.push_back(bounds_of(box));
  for (const Card& card : scene_.set.cards) add_marker(card);
  for (const Card& ring : rings_) ring_bounds_.push_back(bounds_of(ring));
}

Vector3d SetView::in_camera(const Vector3d& p_set) const { return camera_from_set_ * p_set; }

SetView::Bounds SetView::bounds_of(const std::vector<Vector3d>& points_set) const {
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  Bounds bounds{Point2d::Constant(kInfinity), Point2d::Constant(-kInfinity)};
  bool any_in_front = false;
  bool all_in_front = true;
  for (const Vector3d& point : points_set) {
    const Vector3d p = in_camera(point);
    if (p.z() < kNearest) {
      all_in_front = false;
      continue;
    }
    any_in_front = true;
    const Point2d px = lens::px_from_ideal(lens_, p.head<2>() / p.z());
    bounds.low = bounds.low.cwiseMin(px);
    bounds.high = bounds.high.cwiseMax(px);
  }
  if (any_in_front && !all_in_front) {  // reaches past the eye: may be anywhere
    return {Point2d::Constant(-kInfinity), Point2d::Constant(kInfinity)};
  }
  return bounds;
}

SetView::Bounds SetView::bounds_of(const Box& box) const {
  std::vector<Vector3d> corners;
  for (int i = 0; i < 8; ++i) {
    const Vector3d local((i & 1) != 0 ? box.half.x() : -box.half.x(),
                         (i & 2) != 0 ? box.half.y() : -box.half.y(),
                         (i & 4) != 0 ? box.half.z() : -box.half.z());
    corners.push_back(box.centre + box.to_set(local));
  }
  return bounds_of(corners);
}

SetView::Bounds SetView::bounds_of(const Card& card) const {
  std::vector<Vector3d> corners;
  for (int i = 0; i < 4; ++i) {
    corners.push_back(card.centre + ((i & 1) != 0 ? 1.0 : -1.0) * card.half.x() * card.x_axis +
                      ((i & 2) != 0 ? 1.0 : -1.0) * card.half.y() * card.y_axis);
  }
  return bounds_of(corners);
}

bool SetView::sees(const Vector3d& p_set) const {
  const Ray ray{eye_, p_set - eye_};
  constexpr double kShort = 1.0 - 1e-6;
  const auto hides = [&](const Box& box) {
    const std::optional<Hit> hit = intersect(ray, box, 0);
    return hit && hit->t < kShort;
  };
  return std::none_of(scene_.set.boxes.begin(), scene_.set.boxes.end(), hides) &&
         std::none_of(scene_.cg_boxes.begin(), scene_.cg_boxes.end(), hides);
}

void SetView::add_marker(const Card& card) {
  const Vector3d p = in_camera(card.centre);
  const Vector3d normal = card.x_axis.cross(card.y_axis);
  const double facing = normal.dot((eye_ - card.centre).normalized());
  if (p.z() < 10.0 * kNearest || facing < kLeastFacing) return;
  const Point2d p_undistorted_px = lens::px_from_ideal(lens_, p.head<2>() / p.z());
  const std::optional<Point2d> p_plate_px = lens::distort_px(lens_, p_undistorted_px);
  if (!p_plate_px) return;
  // Parallel to the image plane, so that the pinhole's picture is a true circle about the point
  // (an ellipse where the pixels are not square).
  const double radius_px = kRingRadiusPx * lens_.plate_size.width / 1920.0;
  const double radius_m = radius_px / lens_.focal_px.x() * p.z();
  Card ring{.name = card.name,
            .centre = card.centre,
            .x_axis = set_from_camera_rotation_.col(0),
            .y_axis = set_from_camera_rotation_.col(1),
            .half = {radius_m, radius_m},
            .material = {.pattern = Pattern::kRing, .colour = {0.10, 0.86, 0.58}}};
  bool whole = sees(card.centre);
  for (int i = 0; i < 8 && whole; ++i) {
    const double angle = i * std::numbers::pi / 4.0;
    const Point2d around =
        1.05 * radius_px *
        Point2d(std::cos(angle), lens_.focal_px.y() / lens_.focal_px.x() * std::sin(angle));
    const std::optional<Point2d> q = lens::distort_px(lens_, p_undistorted_px + around);
    whole = q && q->x() > 1.0 && q->y() > 1.0 && q->x() < lens_.plate_size.width - 1.0 &&
            q->y() < lens_.plate_size.height - 1.0;
    for (int k = 0; k < 2 && whole; ++k) {
      const Vector3d edge = card.centre + 0.7 * card.half.x() * std::cos(angle) * card.x_axis +
                            0.7 * card.half.y() * std::sin(angle) * card.y_axis;
      whole = sees(edge);
    }
  }
  if (!whole) return;
  const std::optional<Point2d> p_ring_centroid_px = centroid_on_plate(ring);
  if (!p_ring_centroid_px) return;
  rings_.push_back(ring);
  markers_.push_back({.name = card.name,
                      .p_set_m = card.centre,
                      .p_undistorted_px = p_undistorted_px,
                      .p_plate_px = *p_plate_px,
                      .p_ring_centroid_px = *p_ring_centroid_px,
                      .ring_radius_px = radius_px});
}

std::optional<Point2d> SetView::centroid_on_plate(const Card& ring) const {
  // Sums over a grid on the card; each place counts with the area it has on the plate.
  constexpr int kSteps = 200;
  constexpr double kHalfPx = 0.5;  // for the derivatives of the lens
  double area = 0.0;
  Point2d moment(0.0, 0.0);
  for (int j = 0; j < kSteps; ++j) {
    for (int i = 0; i < kSteps; ++i) {
      const Point2d uv((2.0 * (i + 0.5) / kSteps - 1.0) * ring.half.x(),
                       (2.0 * (j + 0.5) / kSteps - 1.0) * ring.half.y());
      if (!surface_at(ring.material, uv, ring.half, {0.0, 0.0}).opaque) continue;
      const Vector3d p = in_camera(ring.centre + uv.x() * ring.x_axis + uv.y() * ring.y_axis);
      const Point2d px = lens::px_from_ideal(lens_, p.head<2>() / p.z());
      const auto at = lens::distort_px(lens_, px);
      const auto left = lens::distort_px(lens_, px - kHalfPx * Point2d::UnitX());
      const auto right = lens::distort_px(lens_, px + kHalfPx * Point2d::UnitX());
      const auto above = lens::distort_px(lens_, px - kHalfPx * Point2d::UnitY());
      const auto below = lens::distort_px(lens_, px + kHalfPx * Point2d::UnitY());
      if (!at || !left || !right || !above || !below) return std::nullopt;
      const Point2d dx = *right - *left;
      const Point2d dy = *below - *above;
      const double share = std::abs(dx.x() * dy.y() - dx.y() * dy.x());
      area += share;
      moment += share * *at;
    }
  }
  return Point2d(moment / area);
}

void SetView::find_candidates(const Point2d& low, const Point2d& high, Candidates* out) const {
  const auto collect = [&](const std::vector<Bounds>& bounds, std::vector<std::uint32_t>* list) {
    list->clear();
    for (std::size_t i = 0; i < bounds.size(); ++i) {
      const Bounds& b = bounds[i];
      if (b.low.x() <= high.x() && b.high.x() >= low.x() && b.low.y() <= high.y() &&
          b.high.y() >= low.y()) {
        list->push_back(static_cast<std::uint32_t>(i));
      }
    }
  };
  collect(box_bounds_, &out->boxes);
  collect(card_bounds_, &out->cards);
  collect(cg_bounds_, &out->cg_boxes);
  collect(ring_bounds_, &out->rings);
}

Ray SetView::ray_to(const Point2d& p_px) const {
  const Point2d p = lens::ideal_from_px(lens_, p_px);
  return {eye_, set_from_camera_rotation_ * Vector3d(p.x(), p.y(), 1.0)};
}

Point2d SetView::footprint(const Ray& ray, const Hit& hit, double size_px) const {
  // Moving the ray by a step d moves its end on the plane by t (d - D (n d) / (n D)).
  const double along = hit.normal.dot(ray.direction);
  Point2d size(0.0, 0.0);
  for (int axis = 0; axis < 2; ++axis) {
    const Vector3d step = size_px / lens_.focal_px[axis] * set_from_camera_rotation_.col(axis);
    const Vector3d move = hit.t * (step - ray.direction * (hit.normal.dot(step) / along));
    size.x() += std::abs(move.dot(hit.u_axis));
    size.y() += std::abs(move.dot(hit.v_axis));
  }
  return size;
}

std::optional<Hit> SetView::nearest(const Ray& ray, const Candidates& near) const {
  std::optional<Hit> best = intersect(ray, scene_.set.room);
  const auto consider = [&](std::optional<Hit> hit) {
    if (hit && (!best || hit->t < best->t)) best = hit;
  };
  for (const std::uint32_t i : near.boxes) {
    consider(intersect(ray, scene_.set.boxes[i], kFirstBox + i));
  }
  for (const std::uint32_t i : near.cards) {
    consider(intersect(ray, scene_.set.cards[i], kFirstCard + i));
  }
  return best;
}

Sample SetView::set_at(const Point2d& p_px, double size_px, const Candidates& near) const {
  const Ray ray = ray_to(p_px);
  const std::optional<Hit> hit = nearest(ray, near);
  if (!hit) return {.alpha = 1.0F, .id = kNothing};
  return sample_of(shade(scene_, *hit, footprint(ray, *hit, size_px)), hit->id);
}

Sample SetView::cg_at(const Point2d& p_px, double size_px, const Candidates& near) const {
  const Ray ray = ray_to(p_px);
  // Rings are drawn over everything.
  for (const std::uint32_t i : near.rings) {
    const std::optional<Hit> hit = intersect(ray, rings_[i], kFirstRing + i);
    if (!hit) continue;
    const Surface surface = surface_at(*hit->material, hit->uv, hit->half, {0.0, 0.0});
    if (surface.opaque) return sample_of(surface, hit->id);
  }
  std::optional<Hit> best;
  for (const std::uint32_t i : near.cg_boxes) {
    const std::optional<Hit> hit = intersect(ray, scene_.cg_boxes[i], kFirstCg + i);
    if (hit && (!best || hit->t < best->t)) best = hit;
  }
  if (!best) return {};
  const std::optional<Hit> in_front = nearest(ray, near);
  if (in_front && in_front->t < best->t) return {};
  return sample_of(shade(scene_, *best, footprint(ray, *best, size_px)), best->id);
}

}  // namespace trueplate::synth::detail
