#include "calib/target/detail/predict.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <array>
#include <cmath>

namespace trueplate::target::detail {
namespace {

constexpr int kNumTerms = 6;
using Basis = Eigen::Matrix<double, kNumTerms, 1>;

constexpr double kReachScale = 1.6;  // columns or rows; the Gaussian weight of a neighbour
constexpr int kMinNeighbours = 3;
// Pulls second derivatives towards 0 where the nodes leave them open (a single square), and
// hardly where they fix them.
constexpr double kStiffness = 0.01;
constexpr double kMinSpread = 1e-3;  // determinant of the neighbours' mean scatter, in steps^4

Basis basis(double a, double b) {
  Basis v;
  v << 1.0, a, b, 0.5 * a * a, a * b, 0.5 * b * b;
  return v;
}

struct Neighbour {
  Basis terms;
  Point2d p_px;
  double weight;
};

// Whether the neighbours span both directions, and not only a line.
bool spans_plane(const std::vector<Neighbour>& neighbours) {
  Eigen::Vector2d mean = Eigen::Vector2d::Zero();
  double sum = 0.0;
  for (const Neighbour& n : neighbours) {
    mean += n.weight * n.terms.segment<2>(1);
    sum += n.weight;
  }
  mean /= sum;
  Eigen::Matrix2d scatter = Eigen::Matrix2d::Zero();
  for (const Neighbour& n : neighbours) {
    const Eigen::Vector2d d = n.terms.segment<2>(1) - mean;
    scatter += n.weight / sum * d * d.transpose();
  }
  return scatter(0, 0) * scatter(1, 1) - scatter(0, 1) * scatter(1, 0) > kMinSpread;
}

double curvature(const Point2d& first, const Point2d& second) {
  const double length = first.norm();
  return (first.x() * second.y() - first.y() * second.x()) / (length * length * length);
}

}  // namespace

double Prediction::curvature_u() const { return curvature(step_u_px, bend_uu_px); }
double Prediction::curvature_v() const { return -curvature(step_v_px, bend_vv_px); }
double Prediction::square_px() const { return std::min(step_u_px.norm(), step_v_px.norm()); }

std::optional<Prediction> predict(const Lattice& lattice, Place place, OwnNode own) {
  std::vector<Neighbour> neighbours;
  neighbours.reserve((2 * kPredictReach + 1) * (2 * kPredictReach + 1));
  for (int a = -kPredictReach; a <= kPredictReach; ++a) {
    for (int b = -kPredictReach; b <= kPredictReach; ++b) {
      if (a == 0 && b == 0 && own == OwnNode::kLeaveOut) continue;
      const Node* node = lattice.find({place.first + a, place.second + b});
      if (node == nullptr) continue;
      const double weight = std::exp(-0.5 * (a * a + b * b) / (kReachScale * kReachScale));
      neighbours.push_back({basis(a, b), node->p_px, weight});
    }
  }
  if (static_cast<int>(neighbours.size()) < kMinNeighbours || !spans_plane(neighbours))
    return std::nullopt;
  // Relative to the first neighbour, so that large coordinates lose no digits.
  const Point2d origin = neighbours.front().p_px;
  Eigen::Matrix<double, kNumTerms, kNumTerms> normal =
      Eigen::Matrix<double, kNumTerms, kNumTerms>::Zero();
  Eigen::Matrix<double, kNumTerms, 2> right = Eigen::Matrix<double, kNumTerms, 2>::Zero();
  double sum = 0.0;
  for (const Neighbour& n : neighbours) {
    normal.noalias() += n.weight * n.terms * n.terms.transpose();
    right.noalias() += n.weight * n.terms * (n.p_px - origin).transpose();
    sum += n.weight;
  }
  for (int i = 3; i < kNumTerms; ++i) normal(i, i) += kStiffness;
  const Eigen::Matrix<double, kNumTerms, 2> solution = normal.ldlt().solve(right);
  if (!solution.allFinite()) return std::nullopt;

  Prediction prediction;
  prediction.p_px = origin + solution.row(0).transpose();
  prediction.step_u_px = solution.row(1);
  prediction.step_v_px = solution.row(2);
  prediction.bend_uu_px = solution.row(3);
  prediction.bend_uv_px = solution.row(4);
  prediction.bend_vv_px = solution.row(5);
  prediction.num_neighbours = static_cast<int>(neighbours.size());
  if (!(prediction.square_px() > 0.0)) return std::nullopt;
  double squares = 0.0;
  for (const Neighbour& n : neighbours)
    squares += n.weight * (solution.transpose() * n.terms + origin - n.p_px).squaredNorm();
  prediction.roughness = std::sqrt(squares / sum) / prediction.square_px();
  return prediction;
}

namespace {

Point2d shorter_side(const Point2d& step, const Point2d& bend) {
  const double length = std::min((step + 0.5 * bend).norm(), (step - 0.5 * bend).norm());
  return step.normalized() * length;
}

}  // namespace

Point2d shorter_step_u(const Prediction& at) { return shorter_side(at.step_u_px, at.bend_uu_px); }

Point2d shorter_step_v(const Prediction& at) { return shorter_side(at.step_v_px, at.bend_vv_px); }

double lean(const Point2d& direction, const Point2d& step) {
  return std::acos(std::clamp(direction.dot(step) / step.norm(), -1.0, 1.0));
}

}  // namespace trueplate::target::detail
