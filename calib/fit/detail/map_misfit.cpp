#include "calib/fit/detail/map_misfit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>
#include <vector>

#include "calib/base/chance.h"
#include "calib/base/decompositions.h"

namespace trueplate::fit::detail {
namespace {

// Cells of the field along the longer side: 240 px of a 1920 px plate, or fewer.
constexpr int kMostCells = 8;
constexpr int kFewestCells = 2;
constexpr int kCubic = 3;
// Cells along the way from the axis to the farthest corner, for each along the longer side.
constexpr double kRadialCells = 1.5;
// Of the residuals, one for each of so many is a coefficient of the field, at most.
constexpr int kResidualsPerCoefficient = 2;
// Beyond this chance of such a pattern from noise alone the field counts as zero.
constexpr double kMaybe = 0.05;
// Directions of the field that the points know less than this share of the best do not count.
constexpr double kKnown = 1e-6;

/// See PlateField::covariance().
struct Shape {
  double share;
  double reach;
};
constexpr std::array kShapes{Shape{1.0, 0.2}, Shape{1.0, 1.0}, Shape{0.01, 0.2}, Shape{0.01, 1.0}};

int cells_along(double length, double longer, double cells) {
  return std::max(1, static_cast<int>(std::lround(cells * length / longer)));
}

/// The finest field that so many residuals bear; nullopt when there is none.
std::optional<PlateField> finest_field(const lens::Lens& lens, double num_free) {
  for (int cells = kMostCells; cells >= kFewestCells; --cells) {
    const PlateField field(lens, cells);
    if (kResidualsPerCoefficient * field.num_coefficients() <= num_free) return field;
  }
  return std::nullopt;
}

/// What the points say about the field when intrinsics and poses are free: to first order the
/// residuals' part that only the field can explain has the information matrix `information` and
/// the gradient `score`, both in units of squared pixels of residual.
struct FieldInformation {
  Eigen::MatrixXd information;
  Eigen::VectorXd score;
  Eigen::MatrixXd give_way;  // by how much the intrinsics change for a coefficient
};

/// Upper triangular T with T T^T the inverse of the information of the free intrinsics.
std::optional<Eigen::MatrixXd> root_of_inverse(const ModelKernel& kernel,
                                               const MisfitInput& input) {
  std::optional<InformationFactor> known = information_factor(kernel, input.views, input.state);
  if (!known) return std::nullopt;
  Eigen::MatrixXd& factor = known->factor;
  if (kernel.growth != nullptr) {
    const Beliefs held = beliefs(prior_of(kernel), kernel.growth, input.state.intrinsics);
    const Eigen::Index of_growth = kernel.growth->rows.rows();
    Eigen::MatrixXd stacked = Eigen::MatrixXd::Zero(factor.rows() + of_growth, factor.cols());
    stacked.topRows(factor.rows()) = factor;
    stacked.bottomRightCorner(of_growth, held.by_coefficients.cols()) =
        held.by_coefficients.bottomRows(of_growth);
    factor = std::move(stacked);
  }
  const Eigen::Index num_free = factor.cols() - input.num_fixed;
  const Eigen::MatrixXd triangle = upper_factor(factor.rightCols(num_free));
  if (!(triangle.diagonal().cwiseAbs().minCoeff() > 0.0)) return std::nullopt;
  Eigen::MatrixXd root =
      triangle.triangularView<Eigen::Upper>().solve(Eigen::MatrixXd::Identity(num_free, num_free));
  if (!root.allFinite()) return std::nullopt;
  return root;
}

/// Adds the products of one place's taps, below the diagonal only; x and y splines have none.
void add_products(const PlateField::Taps& taps, Eigen::MatrixXd& sum) {
  constexpr std::size_t kNumSplines = PlateField::kNumSplineTaps;
  for (std::size_t a = 0; a < taps.size(); ++a) {
    const bool is_spline = a < kNumSplines;
    auto column = sum.col(taps[a].coefficient);
    for (std::size_t b = a; b < (is_spline ? kNumSplines : 0); b += 2) {
      column(taps[b].coefficient) += taps[a].px.dot(taps[b].px);
    }
    for (std::size_t b = is_spline ? kNumSplines : a; b < taps.size(); ++b) {
      column(taps[b].coefficient) += taps[a].px.dot(taps[b].px);
    }
  }
}

std::optional<FieldInformation> field_information(const ModelKernel& kernel,
                                                  const MisfitInput& input,
                                                  const PlateField& field) {
  using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  const std::optional<Eigen::MatrixXd> root = root_of_inverse(kernel, input);
  if (!root) return std::nullopt;
  const Eigen::Index num_coefficients = field.num_coefficients();
  const Eigen::Index num_intrinsics = kernel.num_intrinsics();
  const Eigen::Index num_free = root->cols();
  const Beliefs held = beliefs(prior_of(kernel), kernel.growth, input.state.intrinsics);
  Eigen::VectorXd of_beliefs = Eigen::VectorXd::Zero(num_intrinsics);
  of_beliefs.tail(held.by_coefficients.cols()) = held.by_coefficients.transpose() * held.residuals;
  Eigen::VectorXd lens_gradient = root->transpose() * of_beliefs.tail(num_free);
  const Eigen::MatrixXd belief_rows =
      held.by_coefficients * root->bottomRows(held.by_coefficients.cols());
  // The root's columns are orthonormal to the rounding of an ill-conditioned factor only.
  Eigen::MatrixXd gram = Eigen::MatrixXd::Zero(num_free, num_free);
  gram += belief_rows.transpose() * belief_rows;
  Eigen::MatrixXd of_others = Eigen::MatrixXd::Zero(num_coefficients, num_coefficients);
  Eigen::MatrixXd by_lens = Eigen::MatrixXd::Zero(num_free, num_coefficients);
  FieldInformation result;
  result.information = Eigen::MatrixXd::Zero(num_coefficients, num_coefficients);
  result.score = Eigen::VectorXd::Zero(num_coefficients);
  for (std::size_t v = 0; v < input.views.size(); ++v) {
    const ViewPoints& view = *input.views[v];
    const Pose& pose = input.state.poses[v];
    const Eigen::Vector3d& t = pose.translation_mm;
    const std::array<double, kNumPose> step{0.0, 0.0, 0.0, t.x(), t.y(), t.z()};
    const auto rows = static_cast<Eigen::Index>(2 * view.size());
    if (rows < kNumPose) return std::nullopt;
    Eigen::VectorXd residuals(rows);
    RowMajor by_intrinsics(rows, num_intrinsics);
    RowMajor by_pose(rows, kNumPose);
    if (!kernel.evaluate(view,
                         input.state.intrinsics.data(),
                         pose,
                         step.data(),
                         0.0,
                         residuals.data(),
                         by_intrinsics.data(),
                         by_pose.data())) {
      return std::nullopt;
    }
    // Orthonormal columns for what the pose and then the intrinsics can do about the residuals.
    const RowMajor of_pose = OrthogonalFactor(by_pose).basis();
    Eigen::MatrixXd of_lens = by_intrinsics.rightCols(num_free);
    of_lens -= of_pose * (of_pose.transpose() * of_lens).eval();
    const RowMajor lens_rows = of_lens * root->triangularView<Eigen::Upper>();
    // At the places predicted: those measured have the noise in them, and a field that is linear
    // there would be residuals, by construction.
    std::vector<PlateField::Taps> places(view.size());
    for (std::size_t i = 0; i < view.size(); ++i) {
      const double weight = view.root_weight[i];
      places[i] = field.at(Eigen::Map<const Point2d>(&view.plate_px[2 * i]) +
                           residuals.segment<2>(2 * static_cast<Eigen::Index>(i)) / weight);
      for (PlateField::Tap& tap : places[i]) tap.px *= weight;
    }
    // The optimum is one to rounding only, and what is left of its gradient is no pattern.
    residuals -= of_pose * (of_pose.transpose() * residuals).eval();
    gram += lens_rows.transpose() * lens_rows;
    lens_gradient += lens_rows.transpose() * residuals;
    Eigen::MatrixXd pose_taps = Eigen::MatrixXd::Zero(kNumPose, num_coefficients);
    for (std::size_t i = 0; i < view.size(); ++i) {
      const auto row = 2 * static_cast<Eigen::Index>(i);
      add_products(places[i], result.information);
      for (const PlateField::Tap& a : places[i]) {
        // Measured less predicted is what the field would have to be.
        result.score(a.coefficient) -= a.px.dot(residuals.segment<2>(row));
        pose_taps.col(a.coefficient) += of_pose.middleRows<2>(row).transpose() * a.px;
        by_lens.col(a.coefficient) += lens_rows.middleRows<2>(row).transpose() * a.px;
      }
    }
    of_others.selfadjointView<Eigen::Lower>().rankUpdate(pose_taps.transpose());
  }
  const Eigen::LLT<Eigen::MatrixXd> again(gram);
  if (again.info() != Eigen::Success) return std::nullopt;
  by_lens = again.matrixL().solve(by_lens);
  lens_gradient = again.matrixL().solve(lens_gradient);
  of_others.selfadjointView<Eigen::Lower>().rankUpdate(by_lens.transpose());
  result.information -= of_others;
  result.information = Eigen::MatrixXd(result.information.selfadjointView<Eigen::Lower>());
  result.score += by_lens.transpose() * lens_gradient;
  result.give_way = Eigen::MatrixXd::Zero(num_intrinsics, num_coefficients);
  result.give_way.bottomRows(num_free) = -(*root * again.matrixU().solve(by_lens));
  if (!result.information.allFinite() || !result.give_way.allFinite()) return std::nullopt;
  return result;
}

/// How unlikely the score of a field of one shape is when there is no field.
struct ScoreTest {
  double p_value = 1.0;
  double deviations = 0.0;  // of the score's square from its mean; tells shapes of chance 0 apart
};
ScoreTest score_test(const FieldInformation& field,
                     const Eigen::MatrixXd& shape,
                     double noise_variance,
                     double num_free) {
  const Eigen::MatrixXd product = shape * field.information;
  const double trace = product.trace();
  const double squares = product.cwiseProduct(product.transpose()).sum();
  if (!(trace > 0.0) || !(squares > 0.0) || !(noise_variance > 0.0)) return {};
  const double score = field.score.dot(shape * field.score) / noise_variance;
  return {.p_value = f_tail(score / trace, std::max(1.0, trace * trace / squares), num_free),
          .deviations = (score - trace) / std::sqrt(2.0 * squares)};
}

/// The two variances of the restricted likelihood, along the eigenvectors of the information.
class Variances {
 public:
  Variances(const Eigen::VectorXd& eigenvalues, const Eigen::VectorXd& score, const MisfitInput& in)
      : num_free_(in.num_free), rest_(in.sum_of_squares) {
    const double least = kKnown * eigenvalues.maxCoeff();
    for (Eigen::Index i = 0; i < eigenvalues.size(); ++i) {
      if (!(eigenvalues(i) > least)) continue;
      known_.push_back({eigenvalues(i), score(i) * score(i) / eigenvalues(i)});
      rest_ -= known_.back().square;
    }
    // To first order only: a little may be explained twice.
    rest_ = std::max(rest_, 0.0);
    maximise(eigenvalues.maxCoeff());
  }

  /// Variance of a coefficient over that of a residual, and that of a residual.
  double ratio = 0.0;
  double noise_variance = 0.0;

 private:
  struct Known {
    double information;
    double square;  // of the residuals along this direction; its mean is the variance without field
  };

  [[nodiscard]] double noise_at(double ratio_tried) const {
    double sum = rest_;
    for (const Known& k : known_) sum += k.square / (1.0 + ratio_tried * k.information);
    return sum / num_free_;
  }

  /// Twice the negative logarithm of the likelihood, the noise at its best.
  [[nodiscard]] double cost(double ratio_tried) const {
    const double noise = std::max(noise_at(ratio_tried), std::numeric_limits<double>::min());
    double sum = num_free_ * std::log(noise);
    for (const Known& k : known_) sum += std::log1p(ratio_tried * k.information);
    return sum;
  }

  void maximise(double largest) {
    double best = cost(0.0);
    constexpr int kSteps = 64;
    constexpr double kFactor = 1.6;
    double tried = 1e-3 / largest;
    for (int i = 0; i < kSteps; ++i, tried *= kFactor) {
      const double here = cost(tried);
      if (here >= best) continue;
      best = here;
      ratio = tried;
    }
    noise_variance = noise_at(ratio);
  }

  double num_free_;
  double rest_;
  std::vector<Known> known_;
};

/// The field's expected products, in pixels squared, and the noise beside it.
struct Estimate {
  Eigen::MatrixXd moment_px2;  // empty when there is no field
  double noise_variance = 0.0;
};

Estimate estimate(const FieldInformation& field,
                  const Eigen::MatrixXd& shape,
                  const MisfitInput& input) {
  // Coefficients of variance 1, of which the field's are combinations; the diagonal keeps the
  // triangle from what rounding leaves of a smooth shape's smallest eigenvalues.
  constexpr double kRounding = 1e-9;
  Eigen::MatrixXd kept = shape;
  kept.diagonal() *= 1.0 + kRounding;
  const Eigen::LLT<Eigen::MatrixXd> triangle(kept);
  if (triangle.info() != Eigen::Success) return {};
  const Eigen::MatrixXd mix = triangle.matrixL();
  const auto eigen = symmetric_eigen<Eigen::Dynamic>(mix.transpose() * field.information * mix);
  const Eigen::MatrixXd directions = mix * eigen.eigenvectors();
  const Eigen::VectorXd score = directions.transpose() * field.score;
  const Variances variances(eigen.eigenvalues(), score, input);
  Estimate result{.moment_px2 = {}, .noise_variance = variances.noise_variance};
  if (!(variances.ratio > 0.0)) return result;
  const Eigen::ArrayXd precision = eigen.eigenvalues().array().max(0.0) + 1.0 / variances.ratio;
  const Eigen::VectorXd mean = score.array() / precision;
  Eigen::MatrixXd moment = mean * mean.transpose();
  moment.diagonal().array() += variances.noise_variance / precision;
  result.moment_px2 = directions * moment * directions.transpose();
  return result;
}

}  // namespace

PlateField::PlateField(const lens::Lens& lens, int cells)
    : size_px_(lens.plate_size.width, lens.plate_size.height),
      axis_px_(lens.principal_point_px.cwiseMax(Point2d(0.0, 0.0)).cwiseMin(size_px_)),
      stretch_(std::sqrt(lens.focal_px.prod()) * lens.focal_px.cwiseInverse()),
      farthest_px_(axis_px_.cwiseMax(size_px_ - axis_px_).cwiseProduct(stretch_).norm()),
      cells_(cells),
      columns_(cells_along(size_px_.x(), size_px_.maxCoeff(), cells) + kCubic),
      rows_(cells_along(size_px_.y(), size_px_.maxCoeff(), cells) + kCubic),
      num_radial_(cells_along(1.0, 1.0, kRadialCells * cells) + kCubic),
      x_(0.5 * size_px_.x(), columns_),
      y_(0.5 * size_px_.y(), rows_),
      radius_(0.5 * farthest_px_, num_radial_) {}

PlateField::Taps PlateField::at(const Point2d& p_plate_px) const {
  // A little inside, where all splines have their place.
  constexpr double kInside = 1.0 - 1e-9;
  const Point2d half = 0.5 * size_px_;
  const Point2d p = (p_plate_px - half).cwiseMax(-kInside * half).cwiseMin(kInside * half);
  const Point2d from_axis = p + half - axis_px_;
  const double radius = std::min(from_axis.cwiseProduct(stretch_).norm(), kInside * farthest_px_);
  const lens::CubicTaps x = x_.at(p.x()).value_or(lens::CubicTaps{});
  const lens::CubicTaps y = y_.at(p.y()).value_or(lens::CubicTaps{});
  const lens::CubicTaps r = radius_.at(radius - 0.5 * farthest_px_).value_or(lens::CubicTaps{});
  Taps taps;
  std::size_t next = 0;
  const int num_splines = columns_ * rows_;
  for (std::size_t j = 0; j < 4; ++j) {
    for (std::size_t i = 0; i < 4; ++i) {
      const int spline = (y.first + static_cast<int>(j)) * columns_ + x.first + static_cast<int>(i);
      const double value = x.value[i] * y.value[j];
      taps[next++] = {spline, Point2d(value, 0.0)};
      taps[next++] = {num_splines + spline, Point2d(0.0, value)};
    }
  }
  for (std::size_t j = 0; j < 4; ++j) {
    taps[next++] = {2 * num_splines + r.first + static_cast<int>(j),
                    r.value[j] / farthest_px_ * from_axis};
  }
  return taps;
}

Eigen::MatrixXd PlateField::covariance(double share, double reach) const {
  const auto alike = [reach](double distance) {
    // Matern's function of smoothness 3/2: long waves are larger than short ones, without end.
    const double d = std::sqrt(3.0) * std::abs(distance) / reach;
    return (1.0 + d) * std::exp(-d);
  };
  const int num_splines = columns_ * rows_;
  const Point2d cell = Point2d(x_.cell(), y_.cell()) / size_px_.maxCoeff();
  Eigen::MatrixXd result = Eigen::MatrixXd::Zero(num_coefficients(), num_coefficients());
  for (int a = 0; a < num_splines; ++a) {
    for (int b = 0; b < num_splines; ++b) {
      const int columns_apart = a % columns_ - b % columns_;
      const int rows_apart = a / columns_ - b / columns_;
      const double value = share * alike(cell.x() * columns_apart) * alike(cell.y() * rows_apart);
      result(a, b) = value;
      result(num_splines + a, num_splines + b) = value;
    }
  }
  const double radial_cell = radius_.cell() / farthest_px_;
  for (int a = 0; a < num_radial_; ++a) {
    for (int b = 0; b < num_radial_; ++b) {
      result(2 * num_splines + a, 2 * num_splines + b) = alike(radial_cell * (a - b));
    }
  }
  return result;
}

std::optional<MapMisfit> find_misfit(const ModelKernel& kernel, const MisfitInput& input) {
  const std::optional<PlateField> field = finest_field(input.lens, input.num_free);
  if (!field) return std::nullopt;
  const std::optional<FieldInformation> known = field_information(kernel, input, *field);
  if (!known) return std::nullopt;
  MapMisfit result;
  const double variance = input.sum_of_squares / input.num_free;
  result.noise_sigma_px = std::sqrt(variance);
  ScoreTest surest;
  Eigen::MatrixXd surest_shape;
  for (const Shape& shape : kShapes) {
    Eigen::MatrixXd here = field->covariance(shape.share, shape.reach);
    const ScoreTest test = score_test(*known, here, variance, input.num_free);
    if (surest_shape.size() > 0 && test.deviations <= surest.deviations) continue;
    surest = test;
    surest_shape = std::move(here);
  }
  result.p_value = std::min(1.0, static_cast<double>(kShapes.size()) * surest.p_value);
  if (!(result.p_value < kMaybe)) return result;
  Estimate best = estimate(*known, surest_shape, input);
  if (best.moment_px2.size() == 0) return result;
  result.noise_sigma_px = std::sqrt(best.noise_variance);
  result.cells = field->cells();
  result.moment_px2 = std::move(best.moment_px2);
  result.give_way = known->give_way;
  return result;
}

}  // namespace trueplate::fit::detail
