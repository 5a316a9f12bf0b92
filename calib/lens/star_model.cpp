#include "calib/lens/star_model.h"

#include <algorithm>
#include <cmath>

#include "calib/lens/anamorphic.h"
#include "calib/lens/detail/inverse.h"
#include "calib/lens/detail/star_domain.h"
#include "calib/lens/free_centre.h"
#include "calib/lens/thin_prism.h"

namespace trueplate::lens {

template <class Formula>
StarModel<Formula>::StarModel(const Parameters& parameters)
    : parameters_(parameters),
      domain_(std::make_shared<const detail::StarDomain>(
          &Formula::template distort<detail::Dual<detail::Interval>, double>,
          &Formula::template distort<double, double>,
          parameters_.data())) {}

template <class Formula>
std::optional<Point2d> StarModel<Formula>::distort(const Point2d& p_ideal) const {
  if (!domain_->contains(p_ideal)) return std::nullopt;
  const Point2d p = distort(p_ideal, parameters_.data());
  if (!p.allFinite()) return std::nullopt;
  return p;
}

template <class Formula>
std::optional<Point2d> StarModel<Formula>::undistort(const Point2d& p_distorted) const {
  if (!p_distorted.allFinite() || !domain_->may_image_to(p_distorted)) return std::nullopt;
  Point2d start = p_distorted;
  if (!domain_->contains(start)) {
    const Point2d direction = p_distorted.normalized();
    start = 0.95 * domain_->radius(direction) * direction;
  }
  return detail::inverse_of(
      [&](const Point2d& p) { return detail::local_map<Formula>(p, parameters_.data()); },
      [&](const Point2d& p) { return domain_->contains(p); },
      p_distorted,
      kInverseTolerance * std::max(1.0, p_distorted.norm()),
      start);
}

template <class Formula>
double StarModel<Formula>::domain_radius(const Point2d& direction) const {
  return domain_->radius(direction);
}

template <class Formula>
double StarModel<Formula>::max_radius() const {
  return domain_->inner_radius();
}

template class StarModel<AnamorphicFormula<4>>;
template class StarModel<AnamorphicFormula<6>>;
template class StarModel<FreeCentreFormula>;
template class StarModel<ThinPrismFormula>;
template class StarModel<TiltedFormula>;

}  // namespace trueplate::lens
