#include "tests/support/known_lens.h"

#include <Eigen/Dense>
#include <cassert>
#include <cmath>
#include <limits>
#include <numbers>
#include <span>
#include <string_view>
#include <utility>

#include "calib/base/decompositions.h"

namespace trueplate::tests {
namespace {

constexpr int kColumns = 33;
constexpr int kRows = 21;
constexpr int kNumPinhole = 4;
constexpr int kNumPose = 6;
constexpr double kNoRadius = 20.0;  // of z = 1: 87 degrees off the axis

lens::Model model_of(std::string_view name, const std::vector<double>& coefficients) {
  const Result<lens::Model> model = lens::make_model(name, coefficients);
  assert(model);
  return *model;
}

/// Barrel of 3 % at 0.45 of the way to the plate's corner (0.6 on z = 1 at the focal length below)
/// that is gone at 0.91, with a ridge of 0.4 % at 0.7, as a steep aspheric surface leaves one.
double moustache(double r) {
  const double share = r / 0.6;
  const double wave = std::sin(1.1 * std::numbers::pi * share);
  const double ridge = std::exp(-std::pow((share - 0.7) / 0.25, 2));
  return r * (1.0 - 0.03 * wave * wave + 0.004 * ridge);
}

/// The r with radial(r) = wanted, by bisection: no derivative, no start.
std::optional<double> inverse_radial(const std::function<double(double)>& radial, double wanted) {
  double low = 0.0;
  double high = 2.0 * wanted + 1e-9;
  if (high > kNoRadius || radial(high) < wanted) return std::nullopt;
  constexpr int kHalvings = 60;
  for (int i = 0; i < kHalvings; ++i) {
    const double middle = 0.5 * (low + high);
    (radial(middle) < wanted ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

std::vector<Point2d> places_on(ImageSize plate) {
  std::vector<Point2d> places;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i) {
      places.emplace_back(plate.width * i / (kColumns - 1.0), plate.height * j / (kRows - 1.0));
    }
  }
  return places;
}

/// Takes the best scale and shift of each axis out of every column of `moves`, whose rows are x and
/// y of the places in turn.
void absorb_scale_and_shift(const std::vector<Point2d>& places, Eigen::MatrixXd& moves) {
  const auto n = static_cast<Eigen::Index>(places.size());
  for (int axis = 0; axis < 2; ++axis) {
    Eigen::MatrixXd design(n, 2);
    Eigen::MatrixXd along(n, moves.cols());
    for (Eigen::Index k = 0; k < n; ++k) {
      design.row(k) << places[static_cast<std::size_t>(k)][axis], 1.0;
      along.row(k) = moves.row(2 * k + axis);
    }
    const Eigen::MatrixXd left = along - design * least_squares_columns(design, along);
    for (Eigen::Index k = 0; k < n; ++k) moves.row(2 * k + axis) = left.row(k);
  }
}

/// The lens with one of its parameters (focal x, y, principal x, y, coefficients) moved.
KnownLens moved(const KnownLens& lens, Eigen::Index parameter, double by) {
  KnownLens result = lens;
  if (parameter < 2) {
    result.focal_px(parameter) += by;
  } else if (parameter < kNumPinhole) {
    result.principal_point_px(parameter - 2) += by;
  } else {
    const std::span<const double> old = lens::parameters(*lens.model);
    std::vector<double> coefficients(old.begin(), old.end());
    coefficients[static_cast<std::size_t>(parameter - kNumPinhole)] += by;
    result.model = model_of(lens::model_name(*lens.model), coefficients);
  }
  return result;
}

/// Differences of plate positions by the lens's parameters.
class ByLens {
 public:
  explicit ByLens(const KnownLens& lens) {
    const auto count =
        static_cast<Eigen::Index>(lens::parameters(*lens.model).size()) + kNumPinhole;
    for (Eigen::Index p = 0; p < count; ++p) {
      const double step = p < kNumPinhole ? 1e-2 : 1e-6;
      sides_.push_back({moved(lens, p, step), moved(lens, p, -step), step});
    }
  }

  [[nodiscard]] Eigen::Index num_parameters() const {
    return static_cast<Eigen::Index>(sides_.size());
  }

  /// Of points of z = 1; rows x and y in turn, a column a parameter.
  [[nodiscard]] Eigen::MatrixXd at(const std::vector<Point2d>& ideal) const {
    Eigen::MatrixXd result(2 * static_cast<Eigen::Index>(ideal.size()), num_parameters());
    for (Eigen::Index p = 0; p < num_parameters(); ++p) {
      const Sides& sides = sides_[static_cast<std::size_t>(p)];
      for (std::size_t i = 0; i < ideal.size(); ++i) {
        result.block<2, 1>(2 * static_cast<Eigen::Index>(i), p) =
            (*plate_px(sides.more, ideal[i]) - *plate_px(sides.less, ideal[i])) /
            (2.0 * sides.step);
      }
    }
    return result;
  }

 private:
  struct Sides {
    KnownLens more;
    KnownLens less;
    double step = 0.0;
  };
  std::vector<Sides> sides_;
};

Eigen::MatrixXd by_pose(const KnownLens& lens, const target::View& view, const fit::Pose& pose) {
  Eigen::MatrixXd result(2 * static_cast<Eigen::Index>(view.corners.size()), kNumPose);
  for (int k = 0; k < kNumPose; ++k) {
    const double step = k < 3 ? 1e-6 : 1e-6 * pose.translation_mm.norm();
    const Eigen::Vector3d unit = Eigen::Vector3d::Unit(k % 3);
    const auto seen = [&](const target::Corner& corner, double by) {
      const Eigen::Vector3d turned = pose.rotation * corner.p_chart_mm;
      const Eigen::Vector3d p = k < 3 ? Eigen::AngleAxisd(by, unit) * turned : turned + by * unit;
      return *plate_px(lens, Eigen::Vector3d(p + pose.translation_mm).hnormalized());
    };
    for (std::size_t i = 0; i < view.corners.size(); ++i) {
      result.block<2, 1>(2 * static_cast<Eigen::Index>(i), k) =
          (seen(view.corners[i], step) - seen(view.corners[i], -step)) / (2.0 * step);
    }
  }
  return result;
}

}  // namespace

std::vector<KnownLens> known_lenses(int width) {
  const auto lens = [&](std::string name,
                        Point2d shape,  // height and focal length over the width
                        std::optional<lens::Model> model) {
    const ImageSize plate{width, static_cast<int>(std::lround(shape.x() * width))};
    return KnownLens{
        .name = std::move(name),
        .plate_size = plate,
        .focal_px = Point2d(1.0, 1.0004) * shape.y() * width,
        .principal_point_px = {(0.5 + 0.006) * width, 0.5 * plate.height - 0.004 * width},
        .model = std::move(model)};
  };
  std::vector<KnownLens> result;
  result.push_back(
      lens("spherical", {0.5625, 0.95}, lens::RadialTangential({-0.18, 0.09, -0.02, 6e-4, -4e-4})));
  result.push_back(lens(
      "strong barrel", {0.5625, 0.7}, lens::RadialTangential({-0.32, 0.13, -0.025, 5e-4, -3e-4})));
  result.push_back(lens("moustache", {0.5625, 0.95}, std::nullopt));
  result.back().radial = moustache;
  // Squeeze 2 on square pixels, the cylinder turned by a third of a degree.
  result.push_back(lens("anamorphic 2x",
                        {0.85, 0.9},
                        model_of("cylindrical-2",
                                 {-0.06,
                                  0.03,
                                  0.012,
                                  0.02,
                                  0.05,
                                  -0.02,
                                  -0.09,
                                  0.01,
                                  0.03,
                                  0.06,
                                  4e-4,
                                  -3e-4,
                                  0.006,
                                  -0.018})));
  result.back().focal_px.y() *= 2.0;
  // 150 degrees across.
  result.push_back(
      lens("fisheye", {0.5625, 0.38}, lens::Equidistant({0.03, -0.012, 0.004, -0.0008})));
  // 14 degrees across.
  result.push_back(lens("long", {0.5625, 4.0}, lens::RadialTangential({0.35, 0.0, 0.0, 0.0, 0.0})));
  return result;
}

std::optional<lens::Lens> as_lens(const KnownLens& lens) {
  if (!lens.model) return std::nullopt;
  lens::Lens result;
  result.plate_size = lens.plate_size;
  result.focal_px = lens.focal_px;
  result.principal_point_px = lens.principal_point_px;
  result.model = *lens.model;
  return result;
}

std::optional<Point2d> plate_px(const KnownLens& lens, const Point2d& p_ideal) {
  std::optional<Point2d> distorted;
  if (lens.model) {
    distorted = lens::distort(*lens.model, p_ideal);
  } else {
    const double r = p_ideal.norm();
    distorted = r > 0.0 ? Point2d(p_ideal * (lens.radial(r) / r)) : p_ideal;
  }
  if (!distorted) return std::nullopt;
  return Point2d(lens.focal_px.cwiseProduct(*distorted) + lens.principal_point_px);
}

std::optional<Point2d> ideal_at(const KnownLens& lens, const Point2d& p_plate_px) {
  const Point2d distorted = (p_plate_px - lens.principal_point_px).cwiseQuotient(lens.focal_px);
  if (lens.model) return lens::undistort(*lens.model, distorted);
  const double wanted = distorted.norm();
  if (wanted == 0.0) return distorted;
  const std::optional<double> r = inverse_radial(lens.radial, wanted);
  if (!r) return std::nullopt;
  return Point2d(distorted * (*r / wanted));
}

FieldError plate_error(const lens::Lens& found, const KnownLens& truth) {
  const std::vector<Point2d> places = places_on(truth.plate_size);
  Eigen::MatrixXd moves(2 * static_cast<Eigen::Index>(places.size()), 1);
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < places.size(); ++i) {
    const std::optional<Point2d> ideal = ideal_at(truth, places[i]);
    const std::optional<Point2d> seen = ideal ? lens::distort(found.model, *ideal) : std::nullopt;
    if (!seen) return {kInfinity, kInfinity};
    moves.block<2, 1>(2 * static_cast<Eigen::Index>(i), 0) =
        lens::px_from_ideal(found, *seen) - places[i];
  }
  absorb_scale_and_shift(places, moves);
  const Eigen::VectorXd squared =
      moves.reshaped<Eigen::RowMajor>(static_cast<Eigen::Index>(places.size()), 2)
          .rowwise()
          .squaredNorm();
  return {std::sqrt(squared.mean()), std::sqrt(squared.maxCoeff())};
}

double cramer_rao_px(const KnownLens& truth,
                     const std::vector<target::View>& views,
                     const std::vector<fit::Pose>& poses,
                     double noise_px) {
  assert(truth.model && views.size() == poses.size());
  const ByLens by_lens(truth);
  const Eigen::Index count = by_lens.num_parameters();
  // A triangular factor of the information of the lens: what is left of its columns, view by view,
  // after projecting out those of the view's pose.
  Eigen::MatrixXd factor = Eigen::MatrixXd::Zero(count, count);
  for (std::size_t v = 0; v < views.size(); ++v) {
    std::vector<Point2d> ideal;
    for (const target::Corner& corner : views[v].corners) {
      ideal.push_back(
          Eigen::Vector3d(poses[v].rotation * corner.p_chart_mm + poses[v].translation_mm)
              .hnormalized());
    }
    const Eigen::MatrixXd lens_columns = by_lens.at(ideal);
    const Eigen::MatrixXd pose_columns = by_pose(truth, views[v], poses[v]);
    const Eigen::MatrixXd left =
        lens_columns - pose_columns * least_squares_columns(pose_columns, lens_columns);
    Eigen::MatrixXd stacked(count + left.rows(), count);
    stacked << factor, left;
    factor = upper_factor(stacked);
  }
  const std::vector<Point2d> places = places_on(truth.plate_size);
  std::vector<Point2d> ideal;
  for (const Point2d& place : places) ideal.push_back(*ideal_at(truth, place));
  Eigen::MatrixXd moves = by_lens.at(ideal);
  absorb_scale_and_shift(places, moves);
  // trace(moves (factor^T factor)^-1 moves^T) = |factor^-T moves^T|^2
  const Eigen::MatrixXd spread =
      factor.transpose().triangularView<Eigen::Lower>().solve(moves.transpose());
  return noise_px * std::sqrt(spread.squaredNorm() / static_cast<double>(places.size()));
}

}  // namespace trueplate::tests
