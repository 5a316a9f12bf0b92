#include "calib/base/decompositions.h"

#include <algorithm>

namespace trueplate {

template <int N>
Eigen::Matrix<double, N, 1> solve_symmetric(const Square<N>& a,
                                            const Eigen::Matrix<double, N, 1>& b) {
  return a.ldlt().solve(b);
}

template Eigen::VectorXd solve_symmetric<Eigen::Dynamic>(const Eigen::MatrixXd&,
                                                         const Eigen::VectorXd&);
template Eigen::Vector3d solve_symmetric<3>(const Eigen::Matrix3d&, const Eigen::Vector3d&);
template Eigen::Matrix<double, 5, 1> solve_symmetric<5>(const Square<5>&,
                                                        const Eigen::Matrix<double, 5, 1>&);
template Eigen::Matrix<double, 6, 1> solve_symmetric<6>(const Square<6>&,
                                                        const Eigen::Matrix<double, 6, 1>&);

template <int N, int Columns>
Eigen::Matrix<double, N, Columns> solve_symmetric_columns(
    const Square<N>& a, const Eigen::Matrix<double, N, Columns>& b) {
  return a.ldlt().solve(b);
}

template Eigen::MatrixXd solve_symmetric_columns<Eigen::Dynamic, Eigen::Dynamic>(
    const Eigen::MatrixXd&, const Eigen::MatrixXd&);
template Eigen::Matrix<double, 10, 2> solve_symmetric_columns<10, 2>(
    const Square<10>&, const Eigen::Matrix<double, 10, 2>&);

Eigen::VectorXd least_squares(const Eigen::MatrixXd& a, const Eigen::VectorXd& b) {
  return a.colPivHouseholderQr().solve(b);
}

Eigen::MatrixXd least_squares_columns(const Eigen::MatrixXd& a, const Eigen::MatrixXd& b) {
  return a.colPivHouseholderQr().solve(b);
}

Eigen::VectorXd full_rank_least_squares(const Eigen::MatrixXd& a, const Eigen::VectorXd& b) {
  return a.householderQr().solve(b);
}

Eigen::MatrixXd upper_factor(const Eigen::MatrixXd& matrix) {
  const Eigen::Index rows = std::min(matrix.rows(), matrix.cols());
  return Eigen::HouseholderQR<Eigen::MatrixXd>(matrix)
      .matrixQR()
      .topRows(rows)
      .triangularView<Eigen::Upper>();
}

OrthogonalFactor::OrthogonalFactor(const Eigen::MatrixXd& matrix) : qr_(matrix) {}

Eigen::MatrixXd OrthogonalFactor::basis() const {
  return qr_.householderQ() * Eigen::MatrixXd::Identity(qr_.rows(), qr_.cols());
}

Eigen::MatrixXd OrthogonalFactor::beyond(const Eigen::MatrixXd& other) const {
  return (qr_.householderQ().adjoint() * other).bottomRows(qr_.rows() - qr_.cols());
}

}  // namespace trueplate
