#include "calib/target/detail/line_crossing_model.h"

#include <algorithm>
#include <cmath>

#include "calib/target/detail/normal_table.h"

namespace trueplate::target::detail {
namespace {

constexpr double kMinGrown = 0.2;  // far beyond any window that makes sense
constexpr int kTerms = LineCrossingModel::kSeriesTerms;

// The normal distribution function at t and its derivatives: (-1)^n He_n(t) times the density.
std::array<double, kTerms + 2> derivatives_at(double t) {
  std::array<double, kTerms + 2> f{};
  const NormalAt normal = kNormal.at(t);
  f[0] = normal.below;
  f[1] = normal.density;
  if (normal.density == 0.0) return f;
  f[2] = -t * f[1];
  for (std::size_t n = 3; n < f.size(); ++n)
    f[n] = -t * f[n - 1] - static_cast<double>(n - 2) * f[n - 2];
  return f;
}

}  // namespace

LineCrossingModel::LineCrossingModel(const Unknowns& unknowns, const LineShapes& shapes)
    : p_(unknowns),
      cos_u_(std::cos(p_[kAngleU])),
      sin_u_(std::sin(p_[kAngleU])),
      cos_v_(std::cos(p_[kAngleV])),
      sin_v_(std::sin(p_[kAngleV])),
      inv_blur_(std::exp(-p_[kLogBlur])),
      half_u_(0.5 * std::exp(p_[kLogWidthU]) * inv_blur_),
      half_v_(0.5 * std::exp(p_[kLogWidthV]) * inv_blur_),
      shapes_(shapes),
      correlation_(-std::cos(p_[kAngleV] - p_[kAngleU])),
      correlation_by_angle_v_(std::sin(p_[kAngleV] - p_[kAngleU])) {}

LineCrossingModel::Place LineCrossingModel::place_of(double x, double y) const {
  x -= p_[kX];
  y -= p_[kY];
  Place place{};
  place.tu = cos_u_ * x + sin_u_ * y;
  place.nu = -sin_u_ * x + cos_u_ * y;
  place.tv = cos_v_ * x + sin_v_ * y;
  place.nv = sin_v_ * x - cos_v_ * y;
  place.h = inv_blur_ * (place.nu - 0.5 * shapes_.bends.curvature_u * place.tu * place.tu);
  place.k = inv_blur_ * (place.nv - 0.5 * shapes_.bends.curvature_v * place.tv * place.tv);
  place.grown_u = std::max(kMinGrown, 1.0 + shapes_.taper_u * place.tu);
  place.grown_v = std::max(kMinGrown, 1.0 + shapes_.taper_v * place.tv);
  return place;
}

LineCrossingModel::Bar LineCrossingModel::bar(double place, double half_width) {
  const double high = place + half_width;
  const double low = place - half_width;
  const auto at_high = derivatives_at(high);
  const auto at_low = derivatives_at(low);
  Bar bar;
  for (std::size_t n = 0; n < bar.value.size(); ++n) bar.value[n] = at_high[n] - at_low[n];
  for (std::size_t n = 0; n < bar.by_log_width.size(); ++n) {
    bar.by_log_width[n] = half_width * (at_high[n + 1] + at_low[n + 1]);
    bar.by_log_blur[n] = -(high * at_high[n + 1] - low * at_low[n + 1]);
  }
  return bar;
}

std::array<double, 2> LineCrossingModel::distances(double x, double y) const {
  const Place place = place_of(x, y);
  return {place.h / inv_blur_, place.k / inv_blur_};
}

double LineCrossingModel::ink(double x, double y) const {
  const Place place = place_of(x, y);
  const double a = bar(place.h, half_u_ * place.grown_u).value[0];
  const double c = bar(place.k, half_v_ * place.grown_v).value[0];
  return a + c - a * c;
}

double LineCrossingModel::at(double x, double y, Unknowns* row) const {
  const Place place = place_of(x, y);
  const Bar a = bar(place.h, half_u_ * place.grown_u);
  const Bar c = bar(place.k, half_v_ * place.grown_v);
  // What both lines cover: exp(r d/dh d/dk) of the product, r the correlation.
  double both = a.value[0] * c.value[0];
  double both_by_h = a.value[1] * c.value[0];
  double both_by_k = a.value[0] * c.value[1];
  double both_by_correlation = 0.0;
  double both_by_width_u = a.by_log_width[0] * c.value[0];
  double both_by_width_v = a.value[0] * c.by_log_width[0];
  double both_by_blur = a.by_log_blur[0] * c.value[0] + a.value[0] * c.by_log_blur[0];
  double factor = 1.0;  // r^(n-1) / (n-1)!
  for (std::size_t n = 1; n <= kTerms; ++n) {
    both_by_correlation += factor * a.value[n] * c.value[n];
    factor *= correlation_ / static_cast<double>(n);
    if (factor == 0.0) break;
    both += factor * a.value[n] * c.value[n];
    both_by_h += factor * a.value[n + 1] * c.value[n];
    both_by_k += factor * a.value[n] * c.value[n + 1];
    both_by_width_u += factor * a.by_log_width[n] * c.value[n];
    both_by_width_v += factor * a.value[n] * c.by_log_width[n];
    both_by_blur += factor * (a.by_log_blur[n] * c.value[n] + a.value[n] * c.by_log_blur[n]);
  }
  const double s = a.value[0] + c.value[0] - both;
  const double amplitude = p_[kB] + p_[kBx] * x + p_[kBy] * y;
  const double value = p_[kA] + p_[kAx] * x + p_[kAy] * y + amplitude * s;
  if (row == nullptr) return value;

  const double by_h = amplitude * (a.value[1] - both_by_h);
  const double by_k = amplitude * (c.value[1] - both_by_k);
  const double by_angle = amplitude * -both_by_correlation * correlation_by_angle_v_;
  const double by_width_u = amplitude * (a.by_log_width[0] - both_by_width_u);
  const double by_width_v = amplitude * (c.by_log_width[0] - both_by_width_v);
  // What moving along a line by a pixel changes: its bend, and by its taper its width.
  const double along_u = -inv_blur_ * by_h * shapes_.bends.curvature_u * place.tu +
                         by_width_u * shapes_.taper_u / place.grown_u;
  const double along_v = -inv_blur_ * by_k * shapes_.bends.curvature_v * place.tv +
                         by_width_v * shapes_.taper_v / place.grown_v;
  Unknowns& j = *row;
  j[kX] = inv_blur_ * (by_h * sin_u_ - by_k * sin_v_) - along_u * cos_u_ - along_v * cos_v_;
  j[kY] = inv_blur_ * (by_k * cos_v_ - by_h * cos_u_) - along_u * sin_u_ - along_v * sin_v_;
  j[kAngleU] = -inv_blur_ * by_h * place.tu + along_u * place.nu - by_angle;
  j[kAngleV] = inv_blur_ * by_k * place.tv - along_v * place.nv + by_angle;
  // The bars' own derivatives hold the bent distances fixed in blurs times blur, edges included.
  j[kLogBlur] = amplitude * (a.by_log_blur[0] + c.by_log_blur[0] - both_by_blur);
  j[kLogWidthU] = by_width_u;
  j[kLogWidthV] = by_width_v;
  j[kA] = 1.0;
  j[kAx] = x;
  j[kAy] = y;
  j[kB] = s;
  j[kBx] = x * s;
  j[kBy] = y * s;
  return value;
}

}  // namespace trueplate::target::detail
