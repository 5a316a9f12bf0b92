#pragma once

#include <cmath>
#include <type_traits>

namespace trueplate::lens::detail {

/// A number with its derivatives by the two coordinates of a point: forward automatic
/// differentiation. S is double, or an interval for bounds that hold on a whole box.
template <class S>
struct Dual {
  S a{};   // value
  S dx{};  // derivative by x
  S dy{};  // derivative by y

  Dual() = default;
  Dual(const S& value) : a(value) {}  // NOLINT(google-explicit-constructor): a constant
  template <class N>
  requires(std::is_arithmetic_v<N> && !std::is_same_v<N, S>) Dual(N value)
      : a(static_cast<double>(value)) {}  // NOLINT(google-explicit-constructor)
  Dual(const S& value, const S& by_x, const S& by_y) : a(value), dx(by_x), dy(by_y) {}

  friend Dual operator-(const Dual& f) { return {-f.a, -f.dx, -f.dy}; }
  friend Dual operator+(const Dual& f, const Dual& g) {
    return {f.a + g.a, f.dx + g.dx, f.dy + g.dy};
  }
  friend Dual operator-(const Dual& f, const Dual& g) {
    return {f.a - g.a, f.dx - g.dx, f.dy - g.dy};
  }
  friend Dual operator*(const Dual& f, const Dual& g) {
    return {f.a * g.a, f.dx * g.a + f.a * g.dx, f.dy * g.a + f.a * g.dy};
  }
  friend Dual operator/(const Dual& f, const Dual& g) {
    const S inverse = 1.0 / g.a;
    const S q = f.a * inverse;
    return {q, (f.dx - q * g.dx) * inverse, (f.dy - q * g.dy) * inverse};
  }
  // With a constant: not through the conversion, which would multiply zeros.
  friend Dual operator+(const Dual& f, double c) { return {f.a + c, f.dx, f.dy}; }
  friend Dual operator+(double c, const Dual& f) { return f + c; }
  friend Dual operator-(const Dual& f, double c) { return {f.a - c, f.dx, f.dy}; }
  friend Dual operator-(double c, const Dual& f) { return {c - f.a, -f.dx, -f.dy}; }
  friend Dual operator*(const Dual& f, double c) { return {f.a * c, f.dx * c, f.dy * c}; }
  friend Dual operator*(double c, const Dual& f) { return f * c; }
  friend Dual operator/(const Dual& f, double c) { return f * (1.0 / c); }
};

inline Dual<double> sqrt(const Dual<double>& f) {
  const double root = std::sqrt(f.a);
  return {root, f.dx / (2.0 * root), f.dy / (2.0 * root)};
}

inline Dual<double> atan2(const Dual<double>& g, const Dual<double>& f) {
  const double n = f.a * f.a + g.a * g.a;
  return {std::atan2(g.a, f.a), (f.a * g.dx - g.a * f.dx) / n, (f.a * g.dy - g.a * f.dy) / n};
}

}  // namespace trueplate::lens::detail
