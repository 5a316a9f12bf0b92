#include <Eigen/Dense>
#include <array>
#include <cmath>

#include "calib/plate/two_view.h"

namespace trueplate::plate {
namespace {

constexpr int kNumMonomials = 20;
using Exponents = std::array<int, 3>;

/// The monomials of x, y, z up to the third degree; the cubic ones first, the basis of the quotient
/// ring last.
constexpr std::array<Exponents, kNumMonomials> kMonomials{{
    {3, 0, 0}, {2, 1, 0}, {1, 2, 0}, {0, 3, 0}, {2, 0, 1}, {1, 1, 1}, {0, 2, 1},
    {1, 0, 2}, {0, 1, 2}, {0, 0, 3}, {2, 0, 0}, {1, 1, 0}, {0, 2, 0}, {1, 0, 1},
    {0, 1, 1}, {0, 0, 2}, {1, 0, 0}, {0, 1, 0}, {0, 0, 1}, {0, 0, 0},
}};

/// Where the product of two monomials stands in the list; -1 beyond the third degree.
constexpr auto kProducts = [] {
  std::array<std::array<int, kNumMonomials>, kNumMonomials> products{};
  for (std::size_t i = 0; i < kNumMonomials; ++i) {
    for (std::size_t j = 0; j < kNumMonomials; ++j) {
      products[i][j] = -1;
      for (std::size_t k = 0; k < kNumMonomials; ++k) {
        bool equal = true;
        for (std::size_t v = 0; v < 3; ++v) {
          equal = equal && kMonomials[i][v] + kMonomials[j][v] == kMonomials[k][v];
        }
        if (equal) products[i][j] = static_cast<int>(k);
      }
    }
  }
  return products;
}();

/// A polynomial by its coefficients of kMonomials.
using Polynomial = Eigen::Matrix<double, kNumMonomials, 1>;
using PolynomialMatrix = std::array<std::array<Polynomial, 3>, 3>;

Polynomial product_of(const Polynomial& a, const Polynomial& b) {
  Polynomial product = Polynomial::Zero();
  for (int i = 0; i < kNumMonomials; ++i) {
    if (a(i) == 0.0) continue;
    for (int j = 0; j < kNumMonomials; ++j) {
      const int k = kProducts[static_cast<std::size_t>(i)][static_cast<std::size_t>(j)];
      if (k >= 0) product(k) += a(i) * b(j);
    }
  }
  return product;
}

Polynomial minor_of(const PolynomialMatrix& e, std::size_t a, std::size_t b) {
  return product_of(e[1][a], e[2][b]) - product_of(e[1][b], e[2][a]);
}

Eigen::Matrix<double, 10, kNumMonomials> constraints_of(const PolynomialMatrix& e) {
  Eigen::Matrix<double, 10, kNumMonomials> rows;
  rows.row(0) = (product_of(minor_of(e, 1, 2), e[0][0]) - product_of(minor_of(e, 0, 2), e[0][1]) +
                 product_of(minor_of(e, 0, 1), e[0][2]))
                    .transpose();
  PolynomialMatrix square;  // E E^T
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = i; j < 3; ++j) {
      square[i][j] = product_of(e[i][0], e[j][0]) + product_of(e[i][1], e[j][1]) +
                     product_of(e[i][2], e[j][2]);
      square[j][i] = square[i][j];
    }
  }
  const Polynomial half_trace = 0.5 * (square[0][0] + square[1][1] + square[2][2]);
  for (std::size_t i = 0; i < 3; ++i) square[i][i] -= half_trace;
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) {
      Polynomial sum = Polynomial::Zero();
      for (std::size_t k = 0; k < 3; ++k) sum += product_of(e[k][j], square[i][k]);
      rows.row(static_cast<Eigen::Index>(1 + 3 * i + j)) = sum.transpose();
    }
  }
  return rows;
}

}  // namespace

std::vector<Eigen::Matrix3d> essential_five_point(std::span<const PointPair, 5> pairs) {
  Eigen::Matrix<double, 9, 5> equations;
  for (int i = 0; i < 5; ++i) {
    const PointPair& pair = pairs[static_cast<std::size_t>(i)];
    const Eigen::Vector3d a(pair.first.x(), pair.first.y(), 1.0);
    const Eigen::Vector3d b(pair.second.x(), pair.second.y(), 1.0);
    for (int row = 0; row < 3; ++row) equations.col(i).segment<3>(3 * row) = b(row) * a;
  }
  const Eigen::Matrix<double, 9, 9> q =
      Eigen::HouseholderQR<Eigen::Matrix<double, 9, 5>>(equations).householderQ();
  // E = x B0 + y B1 + z B2 + B3.
  PolynomialMatrix e;
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) {
      e[i][j].setZero();
      e[i][j].tail<4>() = q.row(static_cast<Eigen::Index>(3 * i + j)).tail<4>().transpose();
    }
  }
  const Eigen::Matrix<double, 10, kNumMonomials> rows = constraints_of(e);
  const Eigen::FullPivLU<Eigen::Matrix<double, 10, 10>> cubic(rows.leftCols<10>());
  if (!cubic.isInvertible()) return {};
  const Eigen::Matrix<double, 10, 10> reduced = cubic.solve(rows.rightCols<10>());

  // Multiplication by x in the basis xx, xy, yy, xz, yz, zz, x, y, z, 1.
  Eigen::Matrix<double, 10, 10> action = Eigen::Matrix<double, 10, 10>::Zero();
  constexpr std::array kCubicOf{0, 1, 2, 4, 5, 7};
  for (int i = 0; i < 6; ++i) action.row(i) = -reduced.row(kCubicOf[static_cast<std::size_t>(i)]);
  action(6, 0) = 1.0;
  action(7, 1) = 1.0;
  action(8, 3) = 1.0;
  action(9, 6) = 1.0;
  const Eigen::EigenSolver<Eigen::Matrix<double, 10, 10>> eigen(action);
  if (eigen.info() != Eigen::Success) return {};

  std::vector<Eigen::Matrix3d> solutions;
  for (int i = 0; i < 10; ++i) {
    if (eigen.eigenvalues()(i).imag() != 0.0) continue;
    const Eigen::Matrix<double, 10, 1> monomials = eigen.eigenvectors().col(i).real();
    Eigen::Vector4d weights = monomials.tail<4>();
    if (!(std::abs(weights(3)) > 1e-12 * weights.norm())) continue;
    weights /= weights(3);
    const Eigen::Matrix<double, 9, 1> flat = q.rightCols<4>() * weights;
    Eigen::Matrix3d solution;
    for (int row = 0; row < 3; ++row) solution.row(row) = flat.segment<3>(3 * row).transpose();
    if (!solution.allFinite()) continue;
    solutions.push_back(std::sqrt(2.0) / solution.norm() * solution);
  }
  return solutions;
}

}  // namespace trueplate::plate
