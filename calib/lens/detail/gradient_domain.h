#pragma once

#include <array>
#include <span>

namespace trueplate::lens::detail {

/// Towards a pole the mapping becomes so steep that rounding of the ideal point alone is larger
/// than the inverse's tolerance; so the domain ends where d has fallen to this share of its value
/// on the axis.
inline constexpr double kSmallestDenominator = 0.1;

/// Radius of the disc on which the map p -> p R(r) + r^2 q + 2 (q . p) p is proven one-to-one,
/// where R = n / d with polynomials n and d in r^2 that begin with 1; infinity when it never folds.
///
/// The map is the gradient of a function, so it is one-to-one where its (symmetric) Jacobian is
/// positive definite on a convex set; with A = d(r R)/dr that holds on the disc up to the smallest
/// positive root of d - kSmallestDenominator, of A - 6 |q| r and of A + 3 R - 16 |q| r. Derivation
/// in docs/lens-models.md. With q = 0 and no pole it is exactly the radius at which the mapping
/// folds back.
///
/// numerator, denominator   coefficients of 1, r^2, r^4, r^6; the first ones are 1
/// decentering              |q|
/// returns                  0 when the numbers overflow
[[nodiscard]] double gradient_domain_radius(const std::array<double, 4>& numerator,
                                            const std::array<double, 4>& denominator,
                                            double decentering);

}  // namespace trueplate::lens::detail
