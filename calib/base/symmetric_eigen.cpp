#include "calib/base/decompositions.h"

namespace trueplate {

template <int N>
Eigen::SelfAdjointEigenSolver<Square<N>> symmetric_eigen(const Square<N>& matrix) {
  return Eigen::SelfAdjointEigenSolver<Square<N>>(matrix);
}

template Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> symmetric_eigen<Eigen::Dynamic>(
    const Eigen::MatrixXd&);
template Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> symmetric_eigen<2>(const Eigen::Matrix2d&);
template Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d> symmetric_eigen<3>(const Eigen::Matrix3d&);
template Eigen::SelfAdjointEigenSolver<Eigen::Matrix4d> symmetric_eigen<4>(const Eigen::Matrix4d&);
template Eigen::SelfAdjointEigenSolver<Square<5>> symmetric_eigen<5>(const Square<5>&);
template Eigen::SelfAdjointEigenSolver<Square<9>> symmetric_eigen<9>(const Square<9>&);

}  // namespace trueplate
