#pragma once

namespace trueplate::fit::detail {

/// The probability that a variable of Fisher's F distribution with (num_extra, num_free) degrees of
/// freedom exceeds f; both at least 1. Relative accuracy 1e-10 down to 1e-300.
[[nodiscard]] double f_tail(double f, double num_extra, double num_free);

}  // namespace trueplate::fit::detail
