#pragma once

namespace trueplate {

/// The probability that a chi-square variable of `degrees` degrees of freedom, above 0 and not
/// necessarily whole, exceeds `value`. 1 where the value is not above 0 or NaN, 0 at infinity.
[[nodiscard]] double chi_square_tail(double value, double degrees);

/// The probability that a variable of Fisher's F distribution with (num_extra, num_free) degrees of
/// freedom, both above 0, exceeds f. 1 where f is not above 0 or NaN, 0 at infinity.
[[nodiscard]] double f_tail(double f, double num_extra, double num_free);

}  // namespace trueplate
