#include "calib/compare/lens_change.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>

#include "calib/base/decompositions.h"
#include "calib/compare/detail/absorb.h"
#include "calib/compare/detail/chi_square_sum.h"
#include "calib/fit/detail/map_uncertainty.h"

namespace trueplate::compare {
namespace {

using detail::RayField;

FieldDifference difference_of(const RayField& field) {
  FieldDifference result;
  double sum = 0.0;
  for (std::size_t i = 0; i < field.first_px.size(); ++i) {
    const double d = (field.second_px[i] - field.first_px[i]).norm();
    sum += d * d;
    if (d <= result.max_px) continue;
    result.max_px = d;
    result.max_at_px = field.first_px[i];
  }
  result.rms_px =
      std::sqrt(sum / static_cast<double>(std::max<std::size_t>(1, field.first_px.size())));
  return result;
}

/// A matrix whose product with its transpose is the covariance. Parameters have very different
/// sizes, so correlations are taken apart rather than covariances.
Eigen::MatrixXd root_of(const Eigen::MatrixXd& covariance) {
  const Eigen::VectorXd sigma = covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
  Eigen::VectorXd inverse = Eigen::VectorXd::Zero(sigma.size());
  for (Eigen::Index i = 0; i < sigma.size(); ++i) {
    if (sigma(i) > 0.0) inverse(i) = 1.0 / sigma(i);
  }
  const Eigen::MatrixXd correlation = inverse.asDiagonal() * covariance * inverse.asDiagonal();
  const auto parts = symmetric_eigen<Eigen::Dynamic>(correlation);
  return sigma.asDiagonal() * parts.eigenvectors() *
         parts.eigenvalues().cwiseMax(0.0).cwiseSqrt().asDiagonal();
}

/// How the places answer to the independent errors of one calibration: J root, x and y alternating.
/// A place at which the response cannot be had does not answer.
Eigen::MatrixXd response_of(const lens::Lens& lens,
                            const Eigen::MatrixXd& covariance,
                            const std::vector<Point2d>& places) {
  const fit::detail::MapResponse response(lens, fit::Absorbed::kNothing);
  Eigen::MatrixXd j =
      Eigen::MatrixXd::Zero(2 * static_cast<Eigen::Index>(places.size()), covariance.rows());
  for (std::size_t i = 0; i < places.size(); ++i) {
    const std::optional<Eigen::Matrix2Xd> here = response.at(places[i]);
    if (here) j.middleRows<2>(2 * static_cast<Eigen::Index>(i)) = *here;
  }
  return j * root_of(covariance);
}

/// The covariance of a lens scaled to another plate: focal lengths and principal point go along.
Eigen::MatrixXd scaled(Eigen::MatrixXd covariance, ImageSize from, ImageSize to) {
  const double x = static_cast<double>(to.width) / from.width;
  const double y = static_cast<double>(to.height) / from.height;
  for (const auto& [row, factor] :
       {std::pair<Eigen::Index, double>{0, x}, {1, y}, {2, x}, {3, y}}) {
    covariance.row(row) *= factor;
    covariance.col(row) *= factor;
  }
  return covariance;
}

double misfit_px2(const profile::Station& station) {
  const double px = station.quality ? station.quality->map_misfit_rms_px.value_or(0.0) : 0.0;
  return px * px;
}

/// How a lens changes in practice, as fields over the nodes, one a column: more or less third-order
/// distortion (elements nearer or farther), decentring in x and in y (a knock, another mount;
/// Brown, Photogrammetric Engineering 32(3), 1966), and another squeeze.
Eigen::MatrixXd likely_changes(const lens::Lens& lens, const std::vector<Point2d>& places) {
  Eigen::MatrixXd shapes(2 * static_cast<Eigen::Index>(places.size()), 4);
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Point2d p = lens::ideal_from_px(lens, places[i]);
    const double r2 = p.squaredNorm();
    Eigen::Matrix<double, 2, 4> here;
    here << p.x() * r2, 2.0 * p.x() * p.y(), r2 + 2.0 * p.x() * p.x(), p.x(), p.y() * r2,
        r2 + 2.0 * p.y() * p.y(), 2.0 * p.x() * p.y(), 0.0;
    shapes.middleRows<2>(2 * static_cast<Eigen::Index>(i)) = lens.focal_px.asDiagonal() * here;
  }
  return shapes;
}

/// The statistic, and what it would be of other differences.
class Statistic {
 public:
  /// responses   of the places to the independent errors of both calibrations
  /// beyond_px2  mean square of what is in neither covariance
  Statistic(const RayField& field,
            const Eigen::MatrixXd& responses,
            double beyond_px2,
            double false_alarm_rate)
      : num_nodes_(static_cast<double>(field.first_px.size())) {
    motion_ = OrthogonalFactor(field.by_motion).basis();
    const auto [values, axes] = left_singular_vectors(without_motion(responses));
    axes_ = axes;
    variances_ = values.array().square();
    const double beyond = beyond_px2 + kModelsApartPx * kModelsApartPx;
    floor_ = num_nodes_ * beyond / kFieldFreedom;
    explained_px2_ = variances_.sum() / num_nodes_ + beyond;
    weights_.resize(variances_.size() + kFieldFreedom);
    weights_ << (variances_ / (variances_ + floor_)).matrix(), Eigen::VectorXd::Ones(kFieldFreedom);
    limit_ = detail::chi_square_sum_quantile(weights_, false_alarm_rate);
  }

  [[nodiscard]] Eigen::MatrixXd without_motion(const Eigen::MatrixXd& fields) const {
    return fields - motion_ * (motion_.transpose() * fields);
  }

  /// Of a field without motion.
  [[nodiscard]] double value(const Eigen::VectorXd& r) const {
    const Eigen::ArrayXd along = (axes_.transpose() * r).array().square();
    const double outside = std::max(0.0, r.squaredNorm() - along.sum());
    return (along / (variances_ + floor_)).sum() + outside / floor_;
  }

  [[nodiscard]] double p_value(double value) const {
    return detail::chi_square_sum_tail(weights_, value);
  }

  [[nodiscard]] double explained_px() const { return std::sqrt(explained_px2_); }

  /// How large, root mean square, a change of this shape is that lifts the statistic over its limit
  /// with kDetectionRate; by the normal approximation.
  [[nodiscard]] double detectable_px(const Eigen::VectorXd& shape) const {
    constexpr double kQuantile = 1.281552;  // of the normal distribution at 90 % (tables)
    const Eigen::VectorXd r = without_motion(shape);
    const double size_px2 = r.squaredNorm() / num_nodes_;
    const double lift_per_px2 = value(r) / size_px2;
    const Eigen::ArrayXd along = (axes_.transpose() * r).array().square();
    const double spread_per_px2 =
        4.0 * (along * variances_ / (variances_ + floor_).square()).sum() / size_px2;
    // With s the square of the size, lift s + mean - q sqrt(variance + spread s) = limit.
    const double spread = spread_per_px2 / lift_per_px2;
    const double gap = limit_ - weights_.sum();
    const double variance = 2.0 * weights_.squaredNorm();
    const double half = gap + 0.5 * kQuantile * kQuantile * spread;
    const double root = half * half - gap * gap + kQuantile * kQuantile * variance;
    return std::sqrt((half + std::sqrt(std::max(0.0, root))) / lift_per_px2);
  }

 private:
  double num_nodes_;
  Eigen::MatrixXd motion_;
  Eigen::MatrixXd axes_;
  Eigen::ArrayXd variances_;
  double floor_ = 0.0;
  double explained_px2_ = 0.0;
  Eigen::VectorXd weights_;  // of the squared normals, where nothing changed
  double limit_ = 0.0;
};

}  // namespace

std::string_view verdict_name(ChangeVerdict verdict) {
  switch (verdict) {
    case ChangeVerdict::kChanged:
      return "changed";
    case ChangeVerdict::kNotDistinguishable:
      return "not-distinguishable";
    case ChangeVerdict::kTooUncertain:
      break;
  }
  return "too-uncertain";
}

Result<LensChange> lens_change(const profile::Station& first,
                               const profile::Station& second,
                               const ChangeOptions& options) {
  const lens::Lens& lens = first.lens;
  const Result<lens::Lens> other = lens::for_picture_of(second.lens, lens.plate_size);
  if (!other) return fail(other.error());
  const std::optional<RayField> field = detail::absorbed_field(lens, *other);
  if (!field) {
    return fail(ErrorCode::kUndetermined,
                "the two lenses have too few places of the plate in common to be compared");
  }
  LensChange change;
  change.before = difference_of(detail::ray_field(lens, *other));
  change.after = difference_of(*field);
  for (std::size_t i = 0; i < field->first_px.size(); ++i) {
    change.places.push_back({field->first_px[i], field->second_px[i] - field->first_px[i]});
  }
  change.turn_deg = field->turn_rad.norm() * 180.0 / std::numbers::pi;
  change.focal_ratio = field->focal_ratio;
  change.has_uncertainty = first.uncertainty && second.uncertainty;
  if (!change.has_uncertainty) return change;

  const Eigen::MatrixXd of_first =
      response_of(lens, first.uncertainty->covariance, field->first_px);
  const Eigen::MatrixXd of_second =
      response_of(*other,
                  scaled(second.uncertainty->covariance, second.lens.plate_size, lens.plate_size),
                  field->second_px);
  Eigen::MatrixXd responses(of_first.rows(), of_first.cols() + of_second.cols());
  responses << of_first, of_second;
  const Statistic statistic(
      *field, responses, misfit_px2(first) + misfit_px2(second), options.false_alarm_rate);
  change.p_value =
      statistic.p_value(statistic.value(statistic.without_motion(detail::differences(*field))));
  change.explained_rms_px = statistic.explained_px();
  const Eigen::MatrixXd shapes = likely_changes(lens, field->first_px);
  for (Eigen::Index i = 0; i < shapes.cols(); ++i) {
    change.detectable_rms_px =
        std::max(change.detectable_rms_px, statistic.detectable_px(shapes.col(i)));
  }
  if (change.p_value < options.false_alarm_rate) {
    change.verdict = ChangeVerdict::kChanged;
  } else if (change.detectable_rms_px <= options.matters_px) {
    change.verdict = ChangeVerdict::kNotDistinguishable;
  }
  return change;
}

std::string verdict_text(const LensChange& change, const ChangeOptions& options) {
  if (!change.has_uncertainty) {
    return fmt::format(
        "too uncertain to say: {:.4f} px rms apart, and not both calibrations state "
        "how certain they are",
        change.after.rms_px);
  }
  const std::string numbers = fmt::format(
      "{:.4f} px rms apart ({:.4f} px at {:.0f},{:.0f}) after turn and focal length, "
      "{:.4f} px are explained ({:g} px allowed for the models), p = {:.2g}",
      change.after.rms_px,
      change.after.max_px,
      change.after.max_at_px.x(),
      change.after.max_at_px.y(),
      change.explained_rms_px,
      kModelsApartPx,
      change.p_value);
  switch (change.verdict) {
    case ChangeVerdict::kChanged:
      return fmt::format("changed: {}", numbers);
    case ChangeVerdict::kNotDistinguishable:
      return fmt::format("not distinguishable: {}; a change of {:.3f} px would have been found",
                         numbers,
                         change.detectable_rms_px);
    case ChangeVerdict::kTooUncertain:
      break;
  }
  return fmt::format(
      "too uncertain to say: {}; only a change of {:.3f} px would have been found, "
      "and {:g} px matter",
      numbers,
      change.detectable_rms_px,
      options.matters_px);
}

std::string advice_text(const LensChange& change, const ChangeOptions& options) {
  if (change.before.max_px < 1e-9) return "use either: both are the same calibration";
  if (change.after.max_px < kSameMapPx) {
    return fmt::format(
        "use either: after turn and focal length they are less than {:g} px apart anywhere in the "
        "frame",
        kSameMapPx);
  }
  if (!change.has_uncertainty) {
    return "calibrate from the footage again: only that tells how far each can be trusted";
  }
  switch (change.verdict) {
    case ChangeVerdict::kChanged:
      return change.after.rms_px <= options.matters_px
                 ? fmt::format(
                       "either serves where less than {:g} px does not matter; else use the "
                       "one shot nearer in time to the plates",
                       options.matters_px)
                 : std::string(
                       "use the one shot nearer in time to the plates, on the same side of "
                       "the change");
    case ChangeVerdict::kNotDistinguishable:
      return "use either, or the one with the smaller predicted error";
    case ChangeVerdict::kTooUncertain:
      break;
  }
  return "shoot more frames, with the chart in the corners, or a sharper chart, and compare again";
}

std::string_view chance_and_size_text(const LensChange& change) {
  if (!change.has_uncertainty) return {};
  const bool changed = change.verdict == ChangeVerdict::kChanged;
  const bool larger = change.after.rms_px > change.explained_rms_px;
  if (changed && !larger) {
    return "p asks for the shape of the difference too, the two figures in px for its size alone: "
           "this one is no larger than explained, but of a shape that both calibrations know too "
           "well for it to be chance";
  }
  if (!changed && larger) {
    return "p asks for the shape of the difference too, the two figures in px for its size alone: "
           "this one is larger than explained on average, but of a shape that the calibrations "
           "know least";
  }
  return {};
}

}  // namespace trueplate::compare
