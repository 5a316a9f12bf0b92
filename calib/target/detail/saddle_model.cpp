#include "calib/target/detail/saddle_model.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "calib/target/detail/normal_table.h"

namespace trueplate::target::detail {
namespace {

// erf(t / sqrt(2)) and its derivative.
struct Edge {
  double value;
  double slope;
};

Edge edge_at(double t) {
  const NormalAt normal = kNormal.at(t);
  return {2.0 * normal.below - 1.0, 2.0 * normal.density};
}

}  // namespace

// L(h, k; r) - F(h) F(k) = 1 / (2 pi) int_0^asin(r) exp(-(h^2 + k^2 - 2 h k sin t) / (2 cos^2 t))
// dt (Drezner and Wesolowsky 1990, in the form of Genz 2004); Gauss-Legendre in t. The number of
// nodes keeps the error below 1e-6 up to |r| = 0.9, far below any pixel's noise.
SaddleModel::Nodes SaddleModel::make_nodes(double correlation) {
  static constexpr std::array<double, 2> kX3 = {0.0, 0.7745966692414834};
  static constexpr std::array<double, 2> kW3 = {0.8888888888888888, 0.5555555555555556};
  static constexpr std::array<double, 4> kX8 = {
      0.1834346424956498, 0.5255324099163290, 0.7966664774136267, 0.9602898564975363};
  static constexpr std::array<double, 4> kW8 = {
      0.3626837833783620, 0.3137066458778873, 0.2223810344533745, 0.1012285362903763};
  Nodes nodes;
  const double half = 0.5 * std::asin(std::clamp(correlation, -1.0, 1.0));
  const auto add = [&](double abscissa, double weight) {
    const double sine = std::sin(half * (1.0 + abscissa));
    const auto i = static_cast<std::size_t>(nodes.count++);
    nodes.sine[i] = sine;
    nodes.half_sec2[i] = 0.5 / (1.0 - sine * sine);
    nodes.weight[i] = 4.0 * weight * half / (2.0 * std::numbers::pi);
  };
  if (std::abs(correlation) < 1e-7) return nodes;
  if (std::abs(correlation) < 0.2) {
    for (std::size_t i = 0; i < kX3.size(); ++i) {
      add(kX3[i], kW3[i]);
      if (i != 0) add(-kX3[i], kW3[i]);
    }
  } else {
    for (std::size_t i = 0; i < kX8.size(); ++i) {
      add(kX8[i], kW8[i]);
      add(-kX8[i], kW8[i]);
    }
  }
  return nodes;
}

SaddleModel::SaddleModel(const Unknowns& unknowns, const Bends& bends)
    : p_(unknowns),
      cos_u_(std::cos(p_[kAngleU])),
      sin_u_(std::sin(p_[kAngleU])),
      cos_v_(std::cos(p_[kAngleV])),
      sin_v_(std::sin(p_[kAngleV])),
      inv_blur_(std::exp(-p_[kLogBlur])),
      bend_u_(bends.curvature_u),
      bend_v_(bends.curvature_v),
      // Of the two signed distances, the one growing towards +v, the other towards +u.
      correlation_(-(cos_u_ * cos_v_ + sin_u_ * sin_v_)),
      inv_q_(1.0 / std::sqrt(std::max(1e-6, 1.0 - correlation_ * correlation_))),
      correlation_by_angle_u_(sin_u_ * cos_v_ - cos_u_ * sin_v_),
      nodes_(make_nodes(correlation_)) {}

std::pair<double, double> SaddleModel::sides(double x, double y) const {
  const double dx = x - p_[kX];
  const double dy = y - p_[kY];
  const double tu = cos_u_ * dx + sin_u_ * dy;
  const double tv = cos_v_ * dx + sin_v_ * dy;
  const double nu = cos_u_ * dy - sin_u_ * dx;
  const double nv = sin_v_ * dx - cos_v_ * dy;
  return {(nu - 0.5 * bend_u_ * tu * tu) * inv_blur_, (nv - 0.5 * bend_v_ * tv * tv) * inv_blur_};
}

double SaddleModel::at(double x, double y, Unknowns* row) const {
  const double dx = x - p_[kX];
  const double dy = y - p_[kY];
  const double tu = cos_u_ * dx + sin_u_ * dy;
  const double tv = cos_v_ * dx + sin_v_ * dy;
  const double nu = cos_u_ * dy - sin_u_ * dx;
  const double nv = sin_v_ * dx - cos_v_ * dy;
  const double h = (nu - 0.5 * bend_u_ * tu * tu) * inv_blur_;
  const double k = (nv - 0.5 * bend_v_ * tv * tv) * inv_blur_;
  const Edge across_u = edge_at(h);
  const Edge across_v = edge_at(k);
  double s = across_u.value * across_v.value;
  const double form = h * h - 2.0 * correlation_ * h * k + k * k;
  // Where this one is negligible, so are the integrand's values on the way to it.
  const bool near_p = form * inv_q_ * inv_q_ < kNormalReach * kNormalReach;
  if (near_p) {
    for (int i = 0; i < nodes_.count; ++i) {
      const auto n = static_cast<std::size_t>(i);
      s += nodes_.weight[n] *
           std::exp(-(h * h + k * k - 2.0 * h * k * nodes_.sine[n]) * nodes_.half_sec2[n]);
    }
  }
  const double b = p_[kB] + p_[kBx] * x + p_[kBy] * y;
  const double value = p_[kA] + p_[kAx] * x + p_[kAy] * y + b * s + p_[kC] * s * s;
  if (row == nullptr) return value;

  const double by_s = b + 2.0 * p_[kC] * s;
  // The density across an edge times the side of the other edge.
  const double by_h = across_u.slope == 0.0
                          ? 0.0
                          : by_s * across_u.slope * edge_at((k - correlation_ * h) * inv_q_).value;
  const double by_k = across_v.slope == 0.0
                          ? 0.0
                          : by_s * across_v.slope * edge_at((h - correlation_ * k) * inv_q_).value;
  const double by_angle = near_p ? by_s * (2.0 * std::numbers::inv_pi) * inv_q_ *
                                       std::exp(-0.5 * form * inv_q_ * inv_q_) *
                                       correlation_by_angle_u_
                                 : 0.0;
  const double lean_u = bend_u_ * tu;
  const double lean_v = bend_v_ * tv;
  Unknowns& j = *row;
  j[kX] = inv_blur_ * (by_h * (sin_u_ + lean_u * cos_u_) + by_k * (-sin_v_ + lean_v * cos_v_));
  j[kY] = inv_blur_ * (by_h * (-cos_u_ + lean_u * sin_u_) + by_k * (cos_v_ + lean_v * sin_v_));
  j[kAngleU] = -inv_blur_ * by_h * (tu + lean_u * nu) + by_angle;
  j[kAngleV] = inv_blur_ * by_k * (tv + lean_v * nv) - by_angle;
  j[kLogBlur] = -(by_h * h + by_k * k);
  j[kA] = 1.0;
  j[kAx] = x;
  j[kAy] = y;
  j[kB] = s;
  j[kBx] = x * s;
  j[kBy] = y * s;
  j[kC] = s * s;
  return value;
}

}  // namespace trueplate::target::detail
