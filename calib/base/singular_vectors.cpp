#include "calib/base/decompositions.h"

namespace trueplate {

// By dividing and conquering: Jacobi's rotations take a second for hundreds of columns. Below 16 it
// takes those.
SingularVectors left_singular_vectors(const Eigen::MatrixXd& matrix) {
  const Eigen::BDCSVD<Eigen::MatrixXd> svd(matrix, Eigen::ComputeThinU);
  return {.values = svd.singularValues(), .vectors = svd.matrixU()};
}

SingularVectors right_singular_vectors(const Eigen::MatrixXd& matrix) {
  const Eigen::BDCSVD<Eigen::MatrixXd> svd(matrix, Eigen::ComputeFullV);
  return {.values = svd.singularValues(), .vectors = svd.matrixV()};
}

}  // namespace trueplate
