#include "calib/lens/division.h"

#include <Eigen/Geometry>
#include <algorithm>

namespace trueplate::lens {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

/// The radius at which 1 - lambda1 r^2 - 3 lambda2 r^4 falls to `growth`; infinity when it never
/// does.
double radius_of_growth(double growth, double lambda1, double lambda2) {
  const double fall = 1.0 - growth;
  const double discriminant = lambda1 * lambda1 + 12.0 * lambda2 * fall;
  if (!(discriminant >= 0.0)) return kInfinity;
  const double divisor = lambda1 + std::sqrt(discriminant);
  return divisor > 0.0 ? std::sqrt(2.0 * fall / divisor) : kInfinity;
}

template <std::size_t N>
double second(const std::array<double, N>& parameters) {
  return N > 1 ? parameters.back() : 0.0;
}

}  // namespace

template <int NumTerms>
Division<NumTerms>::Division(const Parameters& parameters)
    : parameters_(parameters),
      max_image_radius_(radius_of_growth(kSmallestGrowth, parameters[0], second(parameters))),
      max_radius_(kInfinity) {
  if (!std::isfinite(max_image_radius_)) return;
  const double edge = divisor(max_image_radius_ * max_image_radius_, parameters.data());
  // Only one of the two divisors of a growing angle can change its sign, and only once.
  if (edge > 0.0) max_radius_ = max_image_radius_ / edge;
}

template <int NumTerms>
double Division<NumTerms>::radius_ratio(double rho, double z, const double* parameters) {
  if (!(rho > 0.0)) return z > 0.0 ? 1.0 / z : kNone;
  // (r, divisor) lies on this side of the ray's direction while `side` is negative.
  const auto side = [&](double r) { return r * z - rho * divisor(r * r, parameters); };
  double low = 0.0;
  double high = radius_of_growth(0.0, parameters[0], NumTerms > 1 ? parameters[1] : 0.0);
  if (std::isinf(high)) {
    constexpr double kFarthest = 1e60;
    for (high = 1.0; !(side(high) > 0.0); high *= 4.0) {
      if (!(high < kFarthest)) return kNone;
    }
  } else if (!(side(high) > 0.0)) {
    return kNone;
  }
  double r = z > 0.0 && rho / z < high ? rho / z : 0.5 * high;
  constexpr int kMaxSteps = 200;
  for (int step = 0; step < kMaxSteps; ++step) {
    const double value = side(r);
    if (value == 0.0) break;
    (value < 0.0 ? low : high) = r;
    const double slope_of_divisor =
        NumTerms > 1 ? 2.0 * r * (parameters[0] + 2.0 * r * r * parameters[NumTerms - 1])
                     : 2.0 * r * parameters[0];
    const double newton = r - value / (z - rho * slope_of_divisor);
    const double next = newton > low && newton < high ? newton : low + 0.5 * (high - low);
    const bool settled = std::abs(next - r) <= 4e-16 * r;
    r = next;
    if (settled) break;
  }
  return r / rho;
}

template <int NumTerms>
std::optional<Point2d> Division<NumTerms>::distort_ray(const Eigen::Vector3d& ray) const {
  // Scaled first, so that neither huge nor tiny vectors lose their squares.
  const double size = ray.cwiseAbs().maxCoeff();
  if (!ray.allFinite() || !(size > 0.0)) return std::nullopt;
  const Point2d p = distort_ray(Eigen::Vector3d(ray / size), parameters_.data());
  // Written so that a NaN fails.
  if (!(p.norm() < max_image_radius_)) return std::nullopt;
  return p;
}

template <int NumTerms>
std::optional<Point2d> Division<NumTerms>::distort(const Point2d& p_ideal) const {
  if (!std::isfinite(p_ideal.norm()) || !(p_ideal.norm() < max_radius_)) return std::nullopt;
  return distort_ray(Eigen::Vector3d(p_ideal.x(), p_ideal.y(), 1.0));
}

template <int NumTerms>
std::optional<Point2d> Division<NumTerms>::undistort(const Point2d& p_distorted) const {
  const double r2 = p_distorted.squaredNorm();
  if (!std::isfinite(r2) || !(std::sqrt(r2) < max_image_radius_)) return std::nullopt;
  const Point2d p = p_distorted / divisor(r2, parameters_.data());
  if (!(divisor(r2, parameters_.data()) > 0.0) || !std::isfinite(p.norm())) return std::nullopt;
  return p;
}

template <int NumTerms>
std::optional<Eigen::Vector3d> Division<NumTerms>::undistort_to_ray(
    const Point2d& p_distorted) const {
  const double r2 = p_distorted.squaredNorm();
  if (!std::isfinite(r2) || !(std::sqrt(r2) < max_image_radius_)) return std::nullopt;
  const double z = divisor(r2, parameters_.data());
  if (!std::isfinite(z)) return std::nullopt;
  return Eigen::Vector3d(p_distorted.x(), p_distorted.y(), z).stableNormalized();
}

template class Division<1>;
template class Division<2>;

}  // namespace trueplate::lens
