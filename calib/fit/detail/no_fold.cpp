#include "calib/fit/detail/no_fold.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>

namespace trueplate::fit::detail {
namespace {

// The border is smooth: a sample every 10 px of a 4K plate.
constexpr int kBorderSamples = 400;
constexpr int kInsideSamples = 20;  // each way
// A ray this far off the axis is the last one there is.
constexpr double kLastRayDeg = 179.0;

constexpr int kDirections = 32;
constexpr int kStepsToBorder = 20;
// Growth of the picture with the angle, relative to that at the axis: what is demanded at first
// (a lens of 60 degrees off the axis has a quarter even as a fisheye), what counts as near that,
// and what is hoped for beyond a fold when the way to the border is looked for.
constexpr double kLeastGrowth = 0.05;
constexpr double kLeastReach = 1.005;
constexpr double kNearGrowth = 0.5;
constexpr double kHopedGrowth = 0.5;
// Points of the plane at distance 1 run away towards 90 degrees.
constexpr double kFarthestFlat = 80.0 * EIGEN_PI / 180.0;
constexpr double kFarthestRay = 175.0 * EIGEN_PI / 180.0;
// Weight of what is missing, in pixels of residual per unit: at first just enough to choose among
// lenses that the corners do not tell apart, then heavier, so that the solver is never thrown
// against a wall. What is demanded becomes more, too.
constexpr double kHeavier = 10.0;
constexpr double kLighter = 30.0;  // after a round that folded more
constexpr double kHeaviestPx = 100.0;
constexpr double kMoreGrowth = 1.2;   // times the last
constexpr double kMoreReach = 0.005;  // of the way to the border
constexpr int kMaxGrowthRounds = 4;
constexpr int kMaxRounds = 8;
// A hold by the border's reach that leaves so many times the residuals has lost the lens.
constexpr double kMostCost = 1.05;
// A round may lose so much of the border and is still on its way.
constexpr double kNearBest = 0.05;

/// The plate with its margin, as distorted points.
struct Frame {
  Point2d first;
  Point2d last;

  explicit Frame(const lens::Lens& lens) {
    const Point2d size(lens.plate_size.width, lens.plate_size.height);
    first = lens::ideal_from_px(lens, -kFrameMargin * size);
    last = lens::ideal_from_px(lens, (1.0 + kFrameMargin) * size);
  }

  /// How far the border is from the axis along a direction; 0 when the axis is outside.
  [[nodiscard]] double distance(const Point2d& direction) const {
    double result = std::numeric_limits<double>::infinity();
    for (int axis = 0; axis < 2; ++axis) {
      if (std::abs(direction(axis)) < 1e-12) continue;
      const double edge = direction(axis) > 0.0 ? last(axis) : first(axis);
      result = std::min(result, edge / direction(axis));
    }
    return std::max(0.0, result);
  }
};

/// Whether a lens images rays up to the last one; models that do are the same in all directions.
bool images_last_ray(const lens::Lens& lens) {
  constexpr double kAngle = kLastRayDeg * EIGEN_PI / 180.0;
  return lens::distort_ray(lens.model, {std::sin(kAngle), 0.0, std::cos(kAngle)}).has_value();
}

/// Whether the inverse ends on the way from the axis because there are no more rays to image.
bool ends_with_last_ray(const lens::Lens& lens, const Point2d& p_distorted) {
  double inside = 0.0;
  double outside = 1.0;
  Eigen::Vector3d last = Eigen::Vector3d::UnitZ();
  constexpr int kHalvings = 40;
  for (int i = 0; i < kHalvings; ++i) {
    const double middle = 0.5 * (inside + outside);
    const auto ray = lens::undistort_to_ray(lens.model, middle * p_distorted);
    if (ray) last = *ray;
    (ray ? inside : outside) = middle;
  }
  return last.z() < std::cos(kLastRayDeg * EIGEN_PI / 180.0);
}

/// Where a ray is imaged, as a distorted point, whatever the domain; with its derivatives.
struct Imaged {
  Point2d p;
  Eigen::Matrix2Xd by_coefficients;
};

class RayImage {
 public:
  RayImage(const ModelKernel& kernel, std::span<const double> coefficients)
      : kernel_(kernel), intrinsics_(kernel.num_intrinsics()) {
    intrinsics_.head<kNumPinhole>() << 1.0, 1.0, 0.0, 0.0;
    std::copy(coefficients.begin(), coefficients.end(), intrinsics_.data() + kNumPinhole);
    view_.plate_px = {0.0, 0.0};
    view_.root_weight = {1.0};
  }

  /// nullopt where the model has none.
  [[nodiscard]] std::optional<Imaged> at(const Eigen::Vector3d& ray) {
    constexpr double kUnmoved[kNumPose] = {};
    view_.chart_mm.assign(ray.data(), ray.data() + 3);
    Imaged result;
    Eigen::Matrix<double, 2, Eigen::Dynamic, Eigen::RowMajor> by_intrinsics(2, intrinsics_.size());
    if (!kernel_.evaluate(view_,
                          intrinsics_.data(),
                          Pose{},
                          kUnmoved,
                          0.0,
                          result.p.data(),
                          by_intrinsics.data(),
                          nullptr)) {
      return std::nullopt;
    }
    result.by_coefficients = by_intrinsics.rightCols(intrinsics_.size() - kNumPinhole);
    return result;
  }

 private:
  const ModelKernel& kernel_;
  Eigen::VectorXd intrinsics_;
  ViewPoints view_;
};

/// Something that has to be at least so large; it is linear in the coefficients about a lens.
struct Demand {
  double value;
  Eigen::RowVectorXd by_coefficients;
  double least;
};

/// What is demanded of the growth, relative to that at the axis, and of the reach, relative to the
/// border's distance; 0: nothing.
struct Least {
  double growth;
  double reach;
};

/// Along one direction, as far as the border should be reached: the picture grows wherever its
/// growth is small, and at the end it has reached the border.
void add_demands(RayImage& image,
                 const Point2d& direction,
                 double border,
                 bool takes_rays,
                 const Least& least,
                 std::vector<Demand>& out) {
  const double step = std::atan(border) / kStepsToBorder;
  const double farthest = takes_rays ? kFarthestRay : kFarthestFlat;
  std::optional<Imaged> before = image.at(Eigen::Vector3d::UnitZ());
  double reach = 0.0;
  for (int i = 1; before && reach < border && i * step < farthest; ++i) {
    const double angle = i * step;
    std::optional<Imaged> here = image.at(
        {std::sin(angle) * direction.x(), std::sin(angle) * direction.y(), std::cos(angle)});
    if (!here) return;
    Demand growth{.value = direction.dot(here->p - before->p) / step,
                  .by_coefficients = direction.transpose() *
                                     (here->by_coefficients - before->by_coefficients) / step,
                  .least = least.growth};
    reach += step * std::max(growth.value, kHopedGrowth);
    if (growth.value < kNearGrowth) out.push_back(std::move(growth));
    before = std::move(here);
  }
  if (least.reach == 0.0 || !before || reach < border) return;
  out.push_back({.value = direction.dot(before->p) / border,
                 .by_coefficients = direction.transpose() * before->by_coefficients / border,
                 .least = least.reach});
}

std::string how_it_folds(double share) {
  return fmt::format(
      "the fitted distortion folds back inside the frame (it can be inverted in {:.1f} % of it)",
      100.0 * share);
}

/// The fit left to itself, with the warning that it folds and could not be kept from it.
LensFit not_held(LensFit free, double share) {
  // What is missing of the border is the fold's doing.
  std::erase_if(free.warnings, [](const Warning& w) { return w.code == "no-flat-picture"; });
  free.fold = FoldHeld{.invertible_share = share, .rms_px = free.rms_px, .held = false};
  free.warnings.push_back(
      {"fold",
       fmt::format(
           "{} and could not be kept from it: beyond its domain there is no map; take a "
           "model with fewer coefficients, one for wider lenses, or add frames with corners "
           "near the edges",
           how_it_folds(share)),
       share});
  return free;
}

}  // namespace

double invertible_share_of_frame(const lens::Lens& lens) {
  const Frame frame(lens);
  const bool may_end = images_last_ray(lens);
  const auto has_inverse = [&](double u, double v) {
    const Point2d p = frame.first + Point2d(u, v).cwiseProduct(frame.last - frame.first);
    return lens::undistort_to_ray(lens.model, p) || (may_end && ends_with_last_ray(lens, p));
  };
  int on_border = 0;
  for (int i = 0; i < kBorderSamples; ++i) {
    const double s = 4.0 * i / kBorderSamples;
    const double t = s - std::floor(s);
    switch (static_cast<int>(s)) {
      case 0:
        on_border += has_inverse(t, 0.0) ? 1 : 0;
        break;
      case 1:
        on_border += has_inverse(1.0, t) ? 1 : 0;
        break;
      case 2:
        on_border += has_inverse(1.0 - t, 1.0) ? 1 : 0;
        break;
      default:
        on_border += has_inverse(0.0, 1.0 - t) ? 1 : 0;
        break;
    }
  }
  int inside = 0;
  for (int row = 1; row < kInsideSamples; ++row) {
    for (int column = 1; column < kInsideSamples; ++column) {
      const double u = static_cast<double>(column) / kInsideSamples;
      const double v = static_cast<double>(row) / kInsideSamples;
      inside += has_inverse(u, v) ? 1 : 0;
    }
  }
  constexpr int kInside = (kInsideSamples - 1) * (kInsideSamples - 1);
  return std::min(static_cast<double>(on_border) / kBorderSamples,
                  static_cast<double>(inside) / kInside);
}

bool GrowthHold::tighten(const lens::Lens& folding, bool on_its_way) {
  if (rounds_++ == (what_ == Held::kGrowth ? kMaxGrowthRounds : kMaxRounds)) return false;
  const double heaviest =
      what_ == Held::kGrowth ? std::numeric_limits<double>::infinity() : kHeaviestPx;
  weight_px_ = on_its_way ? std::min(weight_px_ * kHeavier, heaviest) : weight_px_ / kLighter;
  const std::span<const double> known = lens::parameters(folding.model);
  const Eigen::Map<const Eigen::VectorXd> coefficients(known.data(),
                                                       static_cast<Eigen::Index>(known.size()));
  RayImage image(kernel_, known);
  const Frame frame(folding);
  const bool takes_rays = image.at({1.0, 0.0, 0.0}).has_value();
  const Least least{
      .growth = kLeastGrowth * std::pow(kMoreGrowth, rounds_ - 1),
      .reach = what_ == Held::kGrowth ? 0.0 : kLeastReach + kMoreReach * (rounds_ - 1)};
  std::vector<Demand> demands;
  for (int i = 0; i < kDirections; ++i) {
    const double angle = 2.0 * EIGEN_PI * i / kDirections;
    const Point2d direction(std::cos(angle), std::sin(angle));
    add_demands(image, direction, frame.distance(direction), takes_rays, least, demands);
  }
  if (demands.empty()) return false;
  rows_.rows.resize(static_cast<Eigen::Index>(demands.size()), coefficients.size());
  rows_.least.resize(rows_.rows.rows());
  for (Eigen::Index i = 0; i < rows_.rows.rows(); ++i) {
    const Demand& demand = demands[static_cast<std::size_t>(i)];
    rows_.rows.row(i) = weight_px_ * demand.by_coefficients;
    rows_.least(i) =
        weight_px_ * (demand.least - demand.value) + rows_.rows.row(i).dot(coefficients);
  }
  return rows_.rows.allFinite() && rows_.least.allFinite();
}

namespace {

/// A kernel under which a lens that folds in `share` of the frame does not fold; false when none is
/// found.
bool find_hold(const FitWithKernel& fit,
               const LensFit& free,
               double share,
               const std::vector<target::View>& views,
               const FitOptions& options,
               ModelKernel& kernel,
               GrowthHold& hold) {
  kernel.growth = &hold.rows();
  lens::Lens lens = free.lens;
  bool on_its_way = true;
  while (share < 1.0) {
    if (!hold.tighten(lens, on_its_way)) return false;
    const Result<LensFit> held = fit(kernel, views, options);
    if (!held) return false;
    const double held_share = invertible_share_of_frame(held->lens);
    on_its_way = hold.what() == Held::kGrowth || held_share > share - kNearBest;
    if (on_its_way) lens = held->lens;
    share = std::max(share, held_share);
  }
  return true;
}

}  // namespace

Result<LensFit> fit_without_fold(const FitWithKernel& fit,
                                 const ModelKernel& kernel,
                                 const std::vector<target::View>& views,
                                 const FitOptions& options) {
  Result<LensFit> free = fit(kernel, views, options);
  if (!free) return free;
  const double share = invertible_share_of_frame(free->lens);
  if (share == 1.0) return free;

  FitOptions quick = options;
  quick.held_out_folds = 0;
  for (const Held what : {Held::kGrowth, Held::kGrowthAndReach}) {
    ModelKernel held_kernel = kernel;
    GrowthHold hold(kernel, what);
    if (!find_hold(fit, *free, share, views, quick, held_kernel, hold)) continue;
    Result<LensFit> held = fit(held_kernel, views, options);
    if (!held || invertible_share_of_frame(held->lens) < 1.0) continue;
    if (what == Held::kGrowthAndReach && !(held->rms_px <= kMostCost * free->rms_px)) continue;
    held->fold = FoldHeld{.invertible_share = share, .rms_px = free->rms_px, .held = true};
    held->warnings.push_back(
        {"fold",
         fmt::format(
             "{} with rms {:.3f} px, so its coefficients were held where it does not; rms "
             "is {:.3f} px now. What the lens does near the edges is a guess: add frames with "
             "corners there, or take a model with fewer coefficients",
             how_it_folds(share),
             free->rms_px,
             held->rms_px),
         share});
    return held;
  }
  return not_held(*std::move(free), share);
}

}  // namespace trueplate::fit::detail
