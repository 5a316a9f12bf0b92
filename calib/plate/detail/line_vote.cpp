#include "calib/plate/detail/line_vote.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

// Coefficients relative to the plate's corner: there the divisor is 1 + lambda.
constexpr double kLeastLambda = -0.8;
constexpr double kMostLambda = 0.6;
constexpr double kLambdaStep = 0.02;
constexpr double kVoteStep = 0.0025;
constexpr double kModelDoubt = 0.015;  // one term about the plate's middle is not the whole lens
constexpr double kSagDoubtPx = 0.15;
constexpr double kFlatPx = 0.3;  // chains that bend by less with any coefficient do not vote
constexpr double kLeastDivisor = 0.05;
constexpr std::size_t kMostVotingPoints = 32;

/// A chain in coordinates whose unit is the plate's corner, in order along it.
struct Voter {
  std::vector<Point2d> points;
  double length_px = 0.0;
  double px_per_unit = 1.0;
};

/// The quadratic part, in px, of the straightened chain over its chord: signed.
std::optional<double> sag_px(const Voter& voter, double lambda) {
  std::vector<Point2d> straight;
  for (const Point2d& p : voter.points) {
    const double divisor = 1.0 + lambda * p.squaredNorm();
    if (divisor < kLeastDivisor) return std::nullopt;
    straight.push_back(p / divisor);
  }
  const Point2d middle = 0.5 * (straight.front() + straight.back());
  const Point2d half = 0.5 * (straight.back() - straight.front());
  const double length = half.norm();
  if (!(length > 0.0)) return std::nullopt;
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (const Point2d& p : straight) {
    const Point2d off = p - middle;
    const double u = off.dot(half) / (length * length);
    const double v = (half.x() * off.y() - half.y() * off.x()) / length;
    const Eigen::Vector3d row(1.0, u, u * u);
    normal += row * row.transpose();
    right += row * v;
  }
  const Eigen::Vector3d best = normal.completeOrthogonalDecomposition().solve(right);
  return best[2] * voter.px_per_unit;
}

/// What a chain says: its own coefficient with a standard deviation; nothing when it stays straight
/// (`is_flat`) or never becomes so.
struct Opinion {
  std::optional<double> lambda;
  double sigma = 0.0;
  bool is_flat = true;
};

Opinion opinion_of(const Voter& voter) {
  Opinion opinion;
  std::optional<double> before;
  for (double lambda = kLeastLambda; lambda <= kMostLambda; lambda += kLambdaStep) {
    const std::optional<double> sag = sag_px(voter, lambda);
    if (sag && std::abs(*sag) > kFlatPx) opinion.is_flat = false;
    if (sag && before && (*sag > 0.0) != (*before > 0.0) && !opinion.lambda) {
      const double slope = (*sag - *before) / kLambdaStep;
      opinion.lambda = lambda - *sag / slope;
      opinion.sigma = std::hypot(kSagDoubtPx / std::abs(slope), kModelDoubt);
    }
    before = sag;
  }
  return opinion;
}

Voter voter_of(const Pinhole& pinhole, const Chain& chain, double corner) {
  Voter voter;
  Point2d mean(0.0, 0.0);
  for (const Point2d& p : chain) mean += p / static_cast<double>(chain.size());
  Eigen::Matrix2d spread = Eigen::Matrix2d::Zero();
  for (const Point2d& p : chain) spread += (p - mean) * (p - mean).transpose();
  const Point2d way = symmetric_eigen<2>(spread).eigenvectors().col(1);
  Chain ordered = chain;
  std::sort(ordered.begin(), ordered.end(), [&](const Point2d& a, const Point2d& b) {
    return a.dot(way) < b.dot(way);
  });
  voter.length_px = (ordered.back() - ordered.front()).norm();
  voter.px_per_unit = corner * std::sqrt(pinhole.focal_px.x() * pinhole.focal_px.y());
  const std::size_t count = std::min(ordered.size(), kMostVotingPoints);
  for (std::size_t i = 0; i < count; ++i) {
    const Point2d& p = ordered[i * (ordered.size() - 1) / std::max<std::size_t>(count - 1, 1)];
    voter.points.push_back((p - pinhole.centre_px).cwiseQuotient(pinhole.focal_px) / corner);
  }
  return voter;
}

}  // namespace

Vote vote(const Pinhole& pinhole, const std::vector<Chain>& chains) {
  const double corner = Point2d(0.5 * pinhole.plate_size.width / pinhole.focal_px.x(),
                                0.5 * pinhole.plate_size.height / pinhole.focal_px.y())
                            .norm();
  std::vector<Opinion> opinions;
  std::vector<double> lengths;
  for (const Chain& chain : chains) {
    const Voter voter = voter_of(pinhole, chain, corner);
    opinions.push_back(opinion_of(voter));
    lengths.push_back(voter.length_px);
  }
  double best = 0.0;
  double most = -1.0;
  for (double lambda = kLeastLambda; lambda <= kMostLambda; lambda += kVoteStep) {
    double support = 0.0;
    for (std::size_t i = 0; i < opinions.size(); ++i) {
      if (!opinions[i].lambda) continue;
      const double off = (lambda - *opinions[i].lambda) / opinions[i].sigma;
      support += lengths[i] / opinions[i].sigma * std::exp(-0.5 * off * off);
    }
    if (support > most) {
      most = support;
      best = lambda;
    }
  }
  if (!(most > 0.0)) best = 0.0;
  Vote result{.lambda = best / (corner * corner), .supports = {}};
  constexpr double kSupport = 3.0;
  for (const Opinion& opinion : opinions) {
    result.supports.push_back(
        opinion.is_flat ||
        (opinion.lambda && std::abs(best - *opinion.lambda) < kSupport * opinion.sigma));
  }
  return result;
}

}  // namespace trueplate::plate::detail
