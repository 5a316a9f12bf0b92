#pragma once

#include <type_traits>

namespace trueplate::lens {

// The models' formulas are templates over the scalar: double, an automatic-differentiation type
// (whose value is the member `a`), or an interval (members `lower` and `upper`). These are the few
// places where a formula has to ask for more than arithmetic. By member names, so that a lens need
// not know the solver whose scalars it is differentiated with.

/// Whether a number, or every number of an interval, is above zero; false for NaN.
template <class T>
[[nodiscard]] bool certainly_positive(const T& t) {
  if constexpr (std::is_arithmetic_v<T>) {
    return t > 0;
  } else if constexpr (requires { t.lower; }) {
    return t.lower > 0;
  } else {
    return certainly_positive(t.a);
  }
}

/// The number behind a scalar, without its derivatives. Not for intervals.
template <class T>
[[nodiscard]] double value_of(const T& t) {
  if constexpr (std::is_arithmetic_v<T>) {
    return t;
  } else {
    return value_of(t.a);
  }
}

}  // namespace trueplate::lens
