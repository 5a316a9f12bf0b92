#include "calib/lens/detail/radial_tangential_rows.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "calib/base/detail/instruction_sets.h"
#include "calib/lens/rows.h"

// Compiled once per instruction set by foreach_target.h.
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "calib/lens/detail/radial_tangential_rows.cpp"
#include <hwy/foreach_target.h>  // IWYU pragma: keep
#include <hwy/highway.h>

#ifndef TRUEPLATE_RADIAL_TANGENTIAL_ROWS_ONCE
#define TRUEPLATE_RADIAL_TANGENTIAL_ROWS_ONCE
namespace trueplate::lens::detail {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

/// Everything about one row that is the same for all its points.
struct RowSetup {
  double x0_px, center_x_px, focal_x_px, per_focal_x;
  double y_px, center_y_px, focal_y_px;
  double y_ideal;
  double k1, k2, k3, p1, p2;
  double max_radius;

  [[nodiscard]] Point2d point_px(std::size_t i) const {
    return {x0_px + static_cast<double>(i), y_px};
  }
};

inline RowSetup row_setup(const Lens& lens,
                          const RadialTangential& model,
                          double x0_px,
                          double y_px) {
  const auto& [k1, k2, k3, p1, p2] = model.parameters();
  return {.x0_px = x0_px,
          .center_x_px = lens.principal_point_px.x(),
          .focal_x_px = lens.focal_px.x(),
          .per_focal_x = 1.0 / lens.focal_px.x(),
          .y_px = y_px,
          .center_y_px = lens.principal_point_px.y(),
          .focal_y_px = lens.focal_px.y(),
          .y_ideal = (y_px - lens.principal_point_px.y()) / lens.focal_px.y(),
          .k1 = k1,
          .k2 = k2,
          .k3 = k3,
          .p1 = p1,
          .p2 = p2,
          .max_radius = model.max_radius()};
}

// A point whose squared radius is this close to the edge of the domain, relatively, or larger than
// kHugeSquare, is left to the scalar functions, whose roundings decide. So "no image" and "no
// inverse" fall on the same points without taking a square root for each.
constexpr double kEdgeShare = 1e-12;
constexpr double kHugeSquare = 1e60;

// undistort: Newton steps before a lane goes to the scalar function. The start extrapolated from
// three preceding blocks needs one or two; the first block of a row up to six.
constexpr int kNewtonSteps = 7;

// undistort: the residual a lane must reach. The scalar function stops at kInverseTolerance.
constexpr double kLaneTolerance = kInverseTolerance / 8;

// undistort: lanes outside this share of max_radius() are left to the scalar function, whose line
// search knows about the edge.
constexpr double kInnerShare = 0.999;

/// Smallest Jacobian eigenvalue for which two points with residuals below the two tolerances
/// are closer than kRowTolerancePx; nearer to the fold the scalar function decides. Capped, since a
/// long lens barely distorts and would otherwise be left to the scalar function altogether; see
/// rows.h.
inline double smallest_eigenvalue(const Lens& lens) {
  const double focal_px = std::max(lens.focal_px.x(), lens.focal_px.y());
  return std::clamp((kInverseTolerance + kLaneTolerance) * focal_px / kRowTolerancePx, 0.05, 0.5);
}

/// Square of a radius on the distorted side beyond which no point of the domain is imaged, with a
/// margin for rounding. In the domain r R(r) rises and the tangential part is at most 3 |q| r^2.
inline double image_radius_squared(const RowSetup& s) {
  if (!std::isfinite(s.max_radius)) return std::numeric_limits<double>::infinity();
  const double r = s.max_radius;
  const double r2 = r * r;
  const double radial = 1.0 + r2 * (s.k1 + r2 * (s.k2 + r2 * s.k3));
  const double bound = (r * radial + 3.0 * std::hypot(s.p1, s.p2) * r2) * (1.0 + 1e-9) + 1e-9;
  return std::isfinite(bound) ? bound * bound : std::numeric_limits<double>::infinity();
}

}  // namespace trueplate::lens::detail
#endif  // TRUEPLATE_RADIAL_TANGENTIAL_ROWS_ONCE

HWY_BEFORE_NAMESPACE();
namespace trueplate::lens::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

using Tag = hn::ScalableTag<double>;
using V = hn::Vec<Tag>;
using M = hn::Mask<Tag>;

/// x of the lanes that begin at point `i` of the row, on the plane z = 1. A function of the
/// point's number alone, so that blocks may overlap.
HWY_INLINE V ideal_x(Tag d, const RowSetup& s, std::size_t i) {
  const V offset = hn::Add(hn::Iota(d, 0.0), hn::Set(d, static_cast<double>(i)));
  const V x_px = hn::Add(hn::Set(d, s.x0_px), offset);
  return hn::Mul(hn::Sub(x_px, hn::Set(d, s.center_x_px)), hn::Set(d, s.per_focal_x));
}

/// Writes the lanes to out_x, out_y from `i` on, as far as the row goes.
HWY_INLINE void store(
    Tag d, V x, V y, std::size_t i, std::span<double> out_x, std::span<double> out_y) {
  const std::size_t lanes = hn::Lanes(d);
  if (i + lanes <= out_x.size()) {
    hn::StoreU(x, d, out_x.data() + i);
    hn::StoreU(y, d, out_y.data() + i);
    return;
  }
  HWY_ALIGN double last_x[hn::MaxLanes(d)];
  HWY_ALIGN double last_y[hn::MaxLanes(d)];
  hn::Store(x, d, last_x);
  hn::Store(y, d, last_y);
  std::copy_n(last_x, out_x.size() - i, out_x.data() + i);
  std::copy_n(last_y, out_y.size() - i, out_y.data() + i);
}

/// Replaces the lanes of `undecided` by what `scalar(k)` gives for lane number k.
template <class Scalar>
HWY_NOINLINE void decide(Tag d, M undecided, V& x, V& y, const Scalar& scalar) {
  const std::size_t lanes = hn::Lanes(d);
  HWY_ALIGN double result_x[hn::MaxLanes(d)];
  HWY_ALIGN double result_y[hn::MaxLanes(d)];
  HWY_ALIGN double flags[hn::MaxLanes(d)];
  hn::Store(x, d, result_x);
  hn::Store(y, d, result_y);
  hn::Store(hn::IfThenElseZero(undecided, hn::Set(d, 1.0)), d, flags);
  for (std::size_t k = 0; k < lanes; ++k) {
    if (flags[k] == 0.0) continue;
    const std::optional<Point2d> p = scalar(k);
    result_x[k] = p ? p->x() : kNone;
    result_y[k] = p ? p->y() : kNone;
  }
  x = hn::Load(d, result_x);
  y = hn::Load(d, result_y);
}

void distort_row(const RowSetup& s,
                 const Lens& lens,
                 std::span<double> out_x,
                 std::span<double> out_y) {
  const Tag d;
  const std::size_t lanes = hn::Lanes(d);
  const double max_square = s.max_radius * s.max_radius;
  const V inside_limit = hn::Set(d, std::min(max_square * (1.0 - kEdgeShare), kHugeSquare));
  const V outside_limit = hn::Set(d, max_square * (1.0 + kEdgeShare));
  const V huge = hn::Set(d, std::sqrt(kHugeSquare));
  const V none = hn::Set(d, kNone);
  const V one = hn::Set(d, 1.0);
  const V k1 = hn::Set(d, s.k1);
  const V k2 = hn::Set(d, s.k2);
  const V k3 = hn::Set(d, s.k3);
  const V p1 = hn::Set(d, s.p1);
  const V three_p2 = hn::Set(d, 3.0 * s.p2);
  const V two_p2 = hn::Set(d, 2.0 * s.p2);
  const V y = hn::Set(d, s.y_ideal);
  const V y2 = hn::Set(d, s.y_ideal * s.y_ideal);
  const V x_scale = hn::Set(d, 2.0 * s.p1 * s.y_ideal);
  const V x_offset = hn::Set(d, s.p2 * s.y_ideal * s.y_ideal);
  const V y_scale = hn::Set(d, 3.0 * s.p1 * s.y_ideal);
  const V focal_x = hn::Set(d, s.focal_x_px);
  const V focal_y = hn::Set(d, s.focal_y_px);
  const V center_x = hn::Set(d, s.center_x_px);
  const V center_y = hn::Set(d, s.center_y_px);

  for (std::size_t i = 0; i < out_x.size(); i += lanes) {
    const V x = ideal_x(d, s, i);
    const V x2 = hn::Mul(x, x);
    const V r2 = hn::Add(x2, y2);
    const V radial = hn::MulAdd(r2, hn::MulAdd(r2, hn::MulAdd(r2, k3, k2), k1), one);
    const V xd = hn::MulAdd(x, hn::Add(radial, hn::MulAdd(x, three_p2, x_scale)), x_offset);
    const V yd = hn::MulAdd(y, hn::Add(radial, hn::MulAdd(x, two_p2, y_scale)), hn::Mul(p1, x2));
    V px = hn::MulAdd(xd, focal_x, center_x);
    V py = hn::MulAdd(yd, focal_y, center_y);
    const M inside = hn::And(hn::Lt(r2, inside_limit),
                             hn::And(hn::Lt(hn::Abs(px), huge), hn::Lt(hn::Abs(py), huge)));
    if (HWY_UNLIKELY(!hn::AllTrue(d, inside))) {
      const M outside = hn::Gt(r2, outside_limit);
      px = hn::IfThenElse(outside, none, px);
      py = hn::IfThenElse(outside, none, py);
      const M undecided = hn::Not(hn::Or(inside, outside));
      if (HWY_UNLIKELY(!hn::AllFalse(d, undecided))) {
        decide(d, undecided, px, py, [&](std::size_t k) {
          return distort_px(lens, s.point_px(i + k));
        });
      }
    }
    store(d, px, py, i, out_x, out_y);
  }
}

/// One point per lane, on the plane z = 1.
struct Points {
  V x, y;
};

/// Solutions of the three blocks before the next one of a row, newest first.
struct Track {
  Points newest, middle, oldest;
  int known;
};

/// Newton's method for the blocks of one row.
class RowInverse {
 public:
  RowInverse(const RowSetup& s, const Lens& lens, double min_eigenvalue)
      : s_(s),
        lens_(lens),
        inner_square_(std::min(std::pow(s.max_radius * kInnerShare, 2), kHugeSquare)),
        start_radius_(std::min(0.9 * s.max_radius, std::sqrt(kHugeSquare))),
        image_square_(image_radius_squared(s)),
        min_eigenvalue_(min_eigenvalue) {}

  /// Inverts kBlocks blocks side by side, block n from point first[n] on, each with the track of
  /// the blocks before it. One block alone leaves half of the processor idle, since each operation
  /// waits for the one before.
  template <int kBlocks>
  HWY_INLINE void invert(const std::size_t (&first)[kBlocks],
                         Track (&tracks)[kBlocks],
                         std::span<double> out_x,
                         std::span<double> out_y) const {
    Points p_distorted[kBlocks];
    Points p[kBlocks];
    V tolerance_square[kBlocks];
    V min_eigenvalue[kBlocks];
    M accepted[kBlocks];
    for (int n = 0; n < kBlocks; ++n) {
      p_distorted[n] = {ideal_x(d_, s_, first[n]), hn::Set(d_, s_.y_ideal)};
      const V scale = hn::Max(hn::Set(d_, 1.0), norm_square(p_distorted[n]));
      tolerance_square[n] = hn::Mul(hn::Set(d_, kLaneTolerance * kLaneTolerance), scale);
      min_eigenvalue[n] = hn::Mul(hn::Set(d_, min_eigenvalue_), scale);
      p[n] = start(tracks[n], p_distorted[n]);
    }
    for (int step = 0; step < kNewtonSteps; ++step) {
      bool all = true;
      for (int n = 0; n < kBlocks; ++n) {
        const M conditioned = newton_step(p_distorted[n], min_eigenvalue[n], p[n]);
        const V error_square = norm_square(residual(p_distorted[n], p[n]));
        accepted[n] = hn::And(conditioned,
                              hn::And(hn::Le(error_square, tolerance_square[n]),
                                      hn::Lt(norm_square(p[n]), hn::Set(d_, inner_square_))));
        all = all && hn::AllTrue(d_, accepted[n]);
      }
      if (HWY_LIKELY(all)) break;
    }
    for (int n = 0; n < kBlocks; ++n) {
      bool all_known = true;
      if (HWY_UNLIKELY(!hn::AllTrue(d_, accepted[n]))) {
        all_known = settle(first[n], p_distorted[n], accepted[n], p[n]);
      }
      Track& track = tracks[n];
      track = {p[n], track.newest, track.middle, all_known ? track.known + 1 : 0};
      store(d_,
            hn::MulAdd(p[n].x, hn::Set(d_, s_.focal_x_px), hn::Set(d_, s_.center_x_px)),
            hn::MulAdd(p[n].y, hn::Set(d_, s_.focal_y_px), hn::Set(d_, s_.center_y_px)),
            first[n],
            out_x,
            out_y);
    }
  }

 private:
  HWY_INLINE V norm_square(const Points& p) const {
    return hn::MulAdd(p.x, p.x, hn::Mul(p.y, p.y));
  }

  /// Extrapolates the track with up to a parabola; without one, p_distorted drawn into the domain.
  HWY_INLINE Points start(const Track& track, const Points& p_distorted) const {
    if (HWY_LIKELY(track.known >= 3)) {
      const V three = hn::Set(d_, 3.0);
      return {hn::MulAdd(three, hn::Sub(track.newest.x, track.middle.x), track.oldest.x),
              hn::MulAdd(three, hn::Sub(track.newest.y, track.middle.y), track.oldest.y)};
    }
    if (track.known == 2) {
      const V two = hn::Set(d_, 2.0);
      return {hn::MulSub(two, track.newest.x, track.middle.x),
              hn::MulSub(two, track.newest.y, track.middle.y)};
    }
    const V limit = hn::Set(d_, start_radius_);
    const V norm = hn::Sqrt(norm_square(p_distorted));
    const V scale = hn::IfThenElse(hn::Lt(norm, limit), hn::Set(d_, 1.0), hn::Div(limit, norm));
    return {hn::Mul(p_distorted.x, scale), hn::Mul(p_distorted.y, scale)};
  }

  // The model in the form of its class comment: with q = (p2, p1),
  //     distort(p) = p (R + 2 q . p) + q r^2.

  HWY_INLINE V stretch(const Points& p, V r2) const {
    const V one = hn::Set(d_, 1.0);
    const V k1 = hn::Set(d_, s_.k1);
    const V k2 = hn::Set(d_, s_.k2);
    const V k3 = hn::Set(d_, s_.k3);
    const V radial = hn::MulAdd(r2, hn::MulAdd(r2, hn::MulAdd(r2, k3, k2), k1), one);
    const V twice_shear =
        hn::MulAdd(hn::Set(d_, 2.0 * s_.p2), p.x, hn::Mul(hn::Set(d_, 2.0 * s_.p1), p.y));
    return hn::Add(radial, twice_shear);
  }

  /// distort(p) - p_distorted.
  HWY_INLINE Points residual(const Points& p_distorted, const Points& p) const {
    const V r2 = norm_square(p);
    const V factor = stretch(p, r2);
    return {hn::Sub(hn::MulAdd(p.x, factor, hn::Mul(hn::Set(d_, s_.p2), r2)), p_distorted.x),
            hn::Sub(hn::MulAdd(p.y, factor, hn::Mul(hn::Set(d_, s_.p1), r2)), p_distorted.y)};
  }

  /// Moves p by one step. Returns where the Jacobian [a b; b c] at the beginning of the step has no
  /// eigenvalue below `min_eigenvalue`.
  HWY_INLINE M newton_step(const Points& p_distorted, V min_eigenvalue, Points& p) const {
    const V r2 = norm_square(p);
    const V factor = stretch(p, r2);
    const V residual_x =
        hn::Sub(hn::MulAdd(p.x, factor, hn::Mul(hn::Set(d_, s_.p2), r2)), p_distorted.x);
    const V residual_y =
        hn::Sub(hn::MulAdd(p.y, factor, hn::Mul(hn::Set(d_, s_.p1), r2)), p_distorted.y);
    const V slope = hn::MulAdd(r2,
                               hn::MulAdd(r2, hn::Set(d_, 6.0 * s_.k3), hn::Set(d_, 4.0 * s_.k2)),
                               hn::Set(d_, 2.0 * s_.k1));
    const V a =
        hn::MulAdd(hn::Mul(p.x, p.x), slope, hn::MulAdd(hn::Set(d_, 4.0 * s_.p2), p.x, factor));
    const V c =
        hn::MulAdd(hn::Mul(p.y, p.y), slope, hn::MulAdd(hn::Set(d_, 4.0 * s_.p1), p.y, factor));
    const V b = hn::MulAdd(
        hn::Mul(p.x, p.y),
        slope,
        hn::MulAdd(hn::Set(d_, 2.0 * s_.p1), p.x, hn::Mul(hn::Set(d_, 2.0 * s_.p2), p.y)));
    const V determinant = hn::NegMulAdd(b, b, hn::Mul(a, c));
    const V inverse = hn::Div(hn::Set(d_, 1.0), determinant);
    const V step_x = hn::MulSub(c, residual_x, hn::Mul(b, residual_y));
    const V step_y = hn::MulSub(a, residual_y, hn::Mul(b, residual_x));
    p.x = hn::NegMulAdd(inverse, step_x, p.x);
    p.y = hn::NegMulAdd(inverse, step_y, p.y);
    // The smaller eigenvalue of a positive definite matrix is above det / trace.
    const V trace = hn::Add(a, c);
    return hn::And(hn::Gt(trace, hn::Zero(d_)),
                   hn::Gt(determinant, hn::Mul(min_eigenvalue, trace)));
  }

  /// Decides the lanes that were not accepted. Returns whether every lane has a solution.
  HWY_NOINLINE bool settle(std::size_t first,
                           const Points& p_distorted,
                           M accepted,
                           Points& p) const {
    const V none = hn::Set(d_, kNone);
    const M beyond = hn::Gt(norm_square(p_distorted), hn::Set(d_, image_square_));
    p.x = hn::IfThenElse(beyond, none, p.x);
    p.y = hn::IfThenElse(beyond, none, p.y);
    const M undecided = hn::Not(hn::Or(accepted, beyond));
    if (!hn::AllFalse(d_, undecided)) {
      decide(d_, undecided, p.x, p.y, [&](std::size_t k) {
        return undistort(lens_.model, ideal_from_px(lens_, s_.point_px(first + k)));
      });
    }
    return hn::AllFalse(d_, hn::IsNaN(p.x));
  }

  Tag d_;
  const RowSetup& s_;
  const Lens& lens_;
  double inner_square_;
  double start_radius_;
  double image_square_;
  double min_eigenvalue_;
};

void undistort_row(const RowSetup& s,
                   const Lens& lens,
                   double min_eigenvalue,
                   std::span<double> out_x,
                   std::span<double> out_y) {
  const RowInverse inverse(s, lens, min_eigenvalue);
  const std::size_t lanes = hn::Lanes(Tag());
  const std::size_t half = out_x.size() / (2 * lanes) * lanes;
  const Points zero = {hn::Zero(Tag()), hn::Zero(Tag())};
  Track tracks[2] = {{zero, zero, zero, 0}, {zero, zero, zero, 0}};
  for (std::size_t i = 0; i < half; i += lanes) {
    inverse.invert<2>({i, half + i}, tracks, out_x, out_y);
  }
  for (std::size_t i = 2 * half; i < out_x.size(); i += lanes) {
    Track last[1] = {tracks[1]};
    inverse.invert<1>({i}, last, out_x, out_y);
    tracks[1] = last[0];
  }
}

}  // namespace trueplate::lens::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace trueplate::lens::detail {

HWY_EXPORT(distort_row);
HWY_EXPORT(undistort_row);

void distort_row_vectorised(const Lens& lens,
                            const RadialTangential& model,
                            double x0_px,
                            double y_px,
                            std::span<double> out_x,
                            std::span<double> out_y) {
  HWY_DYNAMIC_DISPATCH(distort_row)(row_setup(lens, model, x0_px, y_px), lens, out_x, out_y);
}

void undistort_row_vectorised(const Lens& lens,
                              const RadialTangential& model,
                              double x0_px,
                              double y_px,
                              std::span<double> out_x,
                              std::span<double> out_y) {
  HWY_DYNAMIC_DISPATCH(undistort_row)
  (row_setup(lens, model, x0_px, y_px), lens, smallest_eigenvalue(lens), out_x, out_y);
}

}  // namespace trueplate::lens::detail
#endif  // HWY_ONCE
