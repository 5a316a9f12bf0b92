#pragma once

#include <Eigen/Dense>

/// Decompositions of matrices, by Eigen. Each is compiled here once instead of wherever it is used,
/// which takes seconds to a minute a time. Matrices have to be finite.
namespace trueplate {

template <int N>
using Square = Eigen::Matrix<double, N, N>;

/// Eigenvalues, ascending, and eigenvectors of a symmetric matrix, of which the lower triangle is
/// read. N is Eigen::Dynamic, 2, 3, 4, 5 or 9.
template <int N>
Eigen::SelfAdjointEigenSolver<Square<N>> symmetric_eigen(const Square<N>& matrix);

/// x with a x = b, where a is symmetric and no eigenvalue is below zero (LDL^T). N is
/// Eigen::Dynamic, 3, 5 or 6.
template <int N>
Eigen::Matrix<double, N, 1> solve_symmetric(const Square<N>& a,
                                            const Eigen::Matrix<double, N, 1>& b);

/// The same for each column of b. N by Columns is Eigen::Dynamic by Eigen::Dynamic or 10 by 2.
template <int N, int Columns>
Eigen::Matrix<double, N, Columns> solve_symmetric_columns(
    const Square<N>& a, const Eigen::Matrix<double, N, Columns>& b);

/// The x, for each column of b, that makes a x - b shortest; by pivoting, so that a may be short of
/// rank.
Eigen::VectorXd least_squares(const Eigen::MatrixXd& a, const Eigen::VectorXd& b);
Eigen::MatrixXd least_squares_columns(const Eigen::MatrixXd& a, const Eigen::MatrixXd& b);

/// The same for an a of full rank, without pivoting: of another a, x is not finite or far too
/// large.
Eigen::VectorXd full_rank_least_squares(const Eigen::MatrixXd& a, const Eigen::VectorXd& b);

/// R of matrix = Q R with orthogonal Q, without its rows of zeros: min(rows, cols) by cols.
Eigen::MatrixXd upper_factor(const Eigen::MatrixXd& matrix);

/// Q of an orthogonal factorisation, which has at least as many rows as columns.
class OrthogonalFactor {
 public:
  explicit OrthogonalFactor(const Eigen::MatrixXd& matrix);

  /// The first columns of Q, as many as the matrix has: they span the same.
  [[nodiscard]] Eigen::MatrixXd basis() const;

  /// The rows of Q^T other beyond those: what of other is in no column of the matrix.
  [[nodiscard]] Eigen::MatrixXd beyond(const Eigen::MatrixXd& other) const;

 private:
  Eigen::HouseholderQR<Eigen::MatrixXd> qr_;
};

/// Singular values, the largest first, with the vectors of one side as columns.
struct SingularVectors {
  Eigen::VectorXd values;
  Eigen::MatrixXd vectors;
};

/// U of matrix = U diag(values) V^T: rows by min(rows, cols).
SingularVectors left_singular_vectors(const Eigen::MatrixXd& matrix);

/// V: cols by cols, so that its last columns are those of the null space where there are fewer
/// rows.
SingularVectors right_singular_vectors(const Eigen::MatrixXd& matrix);

}  // namespace trueplate
