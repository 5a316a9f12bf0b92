// Decompositions give back what was decomposed, and meet values known in closed form: the
// eigenvalues 2 - 2 cos(k pi/4) of the second difference of three numbers (G. Strang, The Discrete
// Cosine Transform, SIAM Review 41(1), 1999, from memory), least squares by the normal equations
// (G. H. Golub and C. F. Van Loan, Matrix Computations, 5.3).

#include "calib/base/decompositions.h"

#include <doctest/doctest.h>

#include <cmath>

namespace {

using namespace trueplate;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Numbers without a pattern, the same on every machine.
MatrixXd mixed(Eigen::Index rows, Eigen::Index cols) {
  return MatrixXd::NullaryExpr(rows, cols, [](Eigen::Index i, Eigen::Index j) {
    return std::sin(3.0 + 7.0 * static_cast<double>(i) + 5.0 * static_cast<double>(i * j));
  });
}

}  // namespace

TEST_CASE("symmetric matrices") {
  const Eigen::Matrix3d difference =
      (Eigen::Matrix3d() << 2, -1, 0, -1, 2, -1, 0, -1, 2).finished();
  const auto eigen = symmetric_eigen<3>(difference);
  CHECK(eigen.eigenvalues().isApprox(
      Eigen::Vector3d(2.0 - std::sqrt(2.0), 2.0, 2.0 + std::sqrt(2.0)), 1e-15));
  const auto same = symmetric_eigen<Eigen::Dynamic>(difference);
  CHECK(same.eigenvalues().isApprox(eigen.eigenvalues(), 1e-15));

  const Eigen::Vector3d x(1.0, -2.0, 0.5);
  CHECK(solve_symmetric<3>(difference, difference * x).isApprox(x, 1e-14));
  const MatrixXd both = (MatrixXd(3, 2) << x, 3.0 * x).finished();
  CHECK(solve_symmetric_columns<Eigen::Dynamic, Eigen::Dynamic>(difference, difference * both)
            .isApprox(both, 1e-14));
}

TEST_CASE("least squares meet the normal equations") {
  const MatrixXd a = mixed(12, 4);
  const VectorXd b = mixed(12, 1);
  const VectorXd normal = (a.transpose() * a).inverse() * a.transpose() * b;
  CHECK(least_squares(a, b).isApprox(normal, 1e-12));
  CHECK(least_squares_columns(a, b).isApprox(normal, 1e-12));
  CHECK(full_rank_least_squares(a, b).isApprox(normal, 1e-12));

  // Short of rank: as close as with the columns that are independent.
  MatrixXd twice(12, 8);
  twice << a, a;
  CHECK((twice * least_squares(twice, b)).isApprox(a * normal, 1e-12));
}

TEST_CASE("orthogonal factors") {
  const MatrixXd a = mixed(9, 4);
  const MatrixXd r = upper_factor(a);
  CHECK(r.rows() == 4);
  CHECK((r.transpose() * r).isApprox(a.transpose() * a, 1e-13));
  CHECK(upper_factor(a.transpose()).rows() == 4);

  const OrthogonalFactor factor(a);
  const MatrixXd basis = factor.basis();
  CHECK((basis.transpose() * basis).isIdentity(1e-14));
  CHECK((basis * basis.transpose() * a).isApprox(a, 1e-13));
  // What is left of another matrix beside those columns has the length of its distance from them.
  const MatrixXd other = mixed(9, 3).array() + 0.1;
  const MatrixXd left = other - basis * basis.transpose() * other;
  CHECK(factor.beyond(other).rows() == 5);
  CHECK(std::abs(factor.beyond(other).norm() - left.norm()) < 1e-13);
  CHECK(factor.beyond(a).norm() < 1e-13);
}

TEST_CASE("singular vectors, those of the null space included") {
  const MatrixXd wide = mixed(8, 9);
  const auto [values, right] = right_singular_vectors(wide);
  CHECK(values.size() == 8);
  REQUIRE(right.cols() == 9);
  CHECK((right.transpose() * right).isIdentity(1e-13));
  CHECK((wide * right.col(8)).norm() < 1e-12);
  const auto [same, left] = left_singular_vectors(wide);
  CHECK(same.isApprox(values, 1e-13));
  CHECK((left * values.asDiagonal() * right.leftCols(8).transpose()).isApprox(wide, 1e-12));

  // Above the size from which it divides and conquers.
  const MatrixXd large = mixed(60, 40);
  const auto parts = right_singular_vectors(large);
  CHECK(std::abs(parts.values.squaredNorm() - large.squaredNorm()) < 1e-10);
  CHECK((large * parts.vectors).colwise().norm().transpose().isApprox(parts.values, 1e-11));
}
