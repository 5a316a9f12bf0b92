#include "calib/target/detail/dot_model.h"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>

#include "calib/target/detail/normal_table.h"

namespace trueplate::target::detail {
namespace {

// A Jacobian whose determinant falls to this share of the dot's own belongs to a place where the
// quadratic map folds back: far from the dot, where it means nothing.
constexpr double kLeastStretch = 0.2;
// The shift by curvature is the first term of a series in blur / radius; there it ends.
constexpr double kMostCurvatureShift = 1.0;

}  // namespace

DotModel::DotModel(const Unknowns& unknowns, const DotSurroundings& known)
    : p_(unknowns),
      known_(known),
      first_inverse_(known.first.inverse()),
      bent_(!known.second.isZero()),
      inv_blur_(std::exp(-p_[kLogBlur])) {
  shape_ << p_[kS11], p_[kS12], p_[kS12], p_[kS22];
  curvature_ = std::sqrt(std::abs((shape_ * first_inverse_).determinant()));
  curvature_shift_ = 0.5 * curvature_ / inv_blur_;
}

DotModel::OnChart DotModel::on_chart(double x, double y) const {
  const Eigen::Vector2d e(x - p_[kX], y - p_[kY]);
  OnChart result{first_inverse_ * e, first_inverse_};
  if (!bent_) return result;
  // Newton's method; the bends are small, so two steps reach the last digits that matter.
  Eigen::Vector2d c = result.c;
  for (int step = 0; step < 3; ++step) {
    Eigen::Matrix2d jacobian = known_.first;
    jacobian.col(0) += known_.second.col(0) * c[0] + known_.second.col(1) * c[1];
    jacobian.col(1) += known_.second.col(1) * c[0] + known_.second.col(2) * c[1];
    const double det = jacobian.determinant();
    if (!(det * first_inverse_.determinant() > kLeastStretch)) return result;
    Eigen::Matrix2d inverse;
    inverse << jacobian(1, 1), -jacobian(0, 1), -jacobian(1, 0), jacobian(0, 0);
    inverse /= det;
    if (step == 2) return {c, inverse};
    const Eigen::Vector3d squares(0.5 * c[0] * c[0], c[0] * c[1], 0.5 * c[1] * c[1]);
    c += inverse * (e - known_.first * c - known_.second * squares);
  }
  return result;
}

double DotModel::curvature_share(const OnChart& here,
                                 double q,
                                 const Eigen::Vector2d& gradient,
                                 double slope) const {
  const Eigen::Vector2d along = here.px_to_c * Eigen::Vector2d(-gradient.y(), gradient.x()) / slope;
  double bend = (shape_ * along).squaredNorm();
  if (bent_) {
    const Eigen::Vector3d squares(
        along[0] * along[0], 2.0 * along[0] * along[1], along[1] * along[1]);
    bend -= q * gradient.dot(known_.second * squares);
  }
  return bend / (slope * curvature_);
}

Eigen::Vector2d DotModel::place(double x, double y) const { return shape_ * on_chart(x, y).c; }

DotModel::Look DotModel::look(double x, double y) const {
  const OnChart here = on_chart(x, y);
  Look look;
  look.place = shape_ * here.c;
  const double q = std::max(1e-9, look.place.norm());
  const Eigen::Vector2d gradient = here.px_to_c.transpose() * (shape_ * look.place) / q;
  const double slope = std::max(1e-12, gradient.norm());
  const double distance = (q - 1.0) / slope;
  const double shift = curvature_shift_ * curvature_share(here, q, gradient, slope);
  const NormalAt edge = kNormal.at(-inv_blur_ * distance -
                                   std::clamp(shift, -kMostCurvatureShift, kMostCurvatureShift));
  const double amplitude = p_[kB] + p_[kBx] * x + p_[kBy] * y;
  look.ink = edge.below;
  look.by_edge = amplitude * edge.density * inv_blur_ / slope;
  return look;
}

double DotModel::at(double x, double y, Unknowns* row) const {
  const OnChart here = on_chart(x, y);
  Eigen::Vector2d w = shape_ * here.c;
  if (w.squaredNorm() < 1e-18) w = {1e-9, 0.0};  // the direction does not matter in the middle
  const double q = w.norm();
  const Eigen::Vector2d h = shape_ * w / q;                       // gradient of q by c
  const Eigen::Vector2d gradient = here.px_to_c.transpose() * h;  // and by the pixel
  const double slope = gradient.norm();
  const double distance = (q - 1.0) / slope;
  // A blurred edge of curvature k lies k b^2 / 2 towards the inside of the bend. Far from the edge
  // that makes no difference.
  const bool far = std::abs(inv_blur_ * distance) > kNormalReach + kMostCurvatureShift;
  const double shift =
      far ? 0.0
          : std::clamp(curvature_shift_ * curvature_share(here, q, gradient, slope),
                       -kMostCurvatureShift,
                       kMostCurvatureShift);
  const double z = -inv_blur_ * distance - shift;
  const NormalAt edge = kNormal.at(z);
  const double s = edge.below;
  const double amplitude = p_[kB] + p_[kBx] * x + p_[kBy] * y;
  const double value = p_[kA] + p_[kAx] * x + p_[kAy] * y + amplitude * s;
  if (row == nullptr) return value;

  Unknowns& j = *row;
  const double by_z = amplitude * edge.density;
  if (by_z == 0.0) {
    j.head<kNumNonlinear>().setZero();
  } else {
    // Of z when c changes by dc and the shape by ds.
    const auto by = [&](const Eigen::Vector2d& dc, const Eigen::Matrix2d& ds) {
      const Eigen::Vector2d dw = ds * here.c + shape_ * dc;
      const double dq = w.dot(dw) / q;
      Eigen::Vector2d dh = (ds * w + shape_ * dw) / q - h * (dq / q);
      if (bent_) {
        const Eigen::Vector2d da = known_.second.col(0) * dc[0] + known_.second.col(1) * dc[1];
        const Eigen::Vector2d db = known_.second.col(1) * dc[0] + known_.second.col(2) * dc[1];
        dh -= Eigen::Vector2d(da.dot(gradient), db.dot(gradient));
      }
      const double dslope = gradient.dot(here.px_to_c.transpose() * dh) / slope;
      return -inv_blur_ * (dq - distance * dslope) / slope;
    };
    const Eigen::Matrix2d none = Eigen::Matrix2d::Zero();
    j[kX] = by_z * by(-here.px_to_c.col(0), none);
    j[kY] = by_z * by(-here.px_to_c.col(1), none);
    // The mean curvature is the root of the determinant of S. How the curvature is spread over the
    // edge is taken as known: it changes little and matters little.
    const double by_det = -0.5 * shift / shape_.determinant();
    Eigen::Matrix2d ds;
    ds << 1.0, 0.0, 0.0, 0.0;
    j[kS11] = by_z * (by(Eigen::Vector2d::Zero(), ds) + by_det * p_[kS22]);
    ds << 0.0, 1.0, 1.0, 0.0;
    j[kS12] = by_z * (by(Eigen::Vector2d::Zero(), ds) - 2.0 * by_det * p_[kS12]);
    ds << 0.0, 0.0, 0.0, 1.0;
    j[kS22] = by_z * (by(Eigen::Vector2d::Zero(), ds) + by_det * p_[kS11]);
    j[kLogBlur] = by_z * (inv_blur_ * distance - shift);
  }
  j[kA] = 1.0;
  j[kAx] = x;
  j[kAy] = y;
  j[kB] = s;
  j[kBx] = x * s;
  j[kBy] = y * s;
  return value;
}

}  // namespace trueplate::target::detail
