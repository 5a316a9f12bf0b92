#include "calib/fit/detail/frame_focal.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <utility>

#include "calib/base/decompositions.h"
#include "calib/base/interrupt.h"
#include "calib/fit/detail/attempt.h"

namespace trueplate::fit::detail {
namespace {

// A frame that knows its focal length less well says nothing here.
constexpr double kVagueFocal = 0.02;
// An unused frame that would be left with more than so many times the noise of the used ones has
// another fault.
constexpr double kAsGood = 3.0;
constexpr double kHardlyMore = 1.5;
constexpr std::size_t kFewestFrames = 6;
constexpr double kLeastApart = 4.5;  // a normal sample cut at its mean leaves 2.7
constexpr double kLeastSure = 6.0;
constexpr double kLeastOfOne = 5.0;  // standard deviations of the frame itself
constexpr double kLeastChange = 0.005;
// In units of the logarithm. 13 frames of one group that scatter, by three times what they know of
// themselves, reach 3.9 in one simulated shoot of twenty; two groups 0.5 % apart 9 in the middle.
constexpr double kLeastGainOfTwo = 4.0;
constexpr double kClearMinority = 1.0 / 3.0;
constexpr int kMaxRounds = 3;
constexpr std::size_t kNamed = 12;

/// Where the fit has the points of the chart.
class ChartPlaces {
 public:
  explicit ChartPlaces(const ChartFit& chart) {
    for (const ChartPoint& point : chart.points)
      offsets_[key(point.described_mm)] = point.offset_mm;
  }
  [[nodiscard]] Eigen::Vector3d at(const Eigen::Vector3d& described_mm) const {
    const auto found = offsets_.find(key(described_mm));
    return found == offsets_.end() ? described_mm : Eigen::Vector3d(described_mm + found->second);
  }

 private:
  static std::array<double, 3> key(const Eigen::Vector3d& p) { return {p.x(), p.y(), p.z()}; }
  std::map<std::array<double, 3>, Eigen::Vector3d> offsets_;
};

/// The used points; all that have a residual when the frame is not used.
ViewPoints points_of(const target::View& view, const FrameFit& frame, const ChartPlaces& chart) {
  ViewPoints points;
  for (std::size_t c = 0; c < view.corners.size(); ++c) {
    const PointFit& point = frame.points[c];
    if (frame.used ? !point.used : !point.residual_px.allFinite()) continue;
    const Eigen::Vector3d p = chart.at(view.corners[c].p_chart_mm);
    points.chart_mm.insert(points.chart_mm.end(), p.begin(), p.end());
    const Point2d& q = view.corners[c].p_plate_px;
    points.plate_px.insert(points.plate_px.end(), q.begin(), q.end());
    points.root_weight.push_back(1.0);
  }
  return points;
}

/// The products of a frame's columns, after its pose has taken its share of each: what one relative
/// change of both focal lengths does, what the intrinsics do, the residuals.
struct FrameProducts {
  std::size_t frame = 0;
  bool used = false;
  double freedom = 0.0;  // left by pose and focal length
  Eigen::MatrixXd products;

  [[nodiscard]] double focal() const { return products(0, 0); }
  [[nodiscard]] auto intrinsics() const {
    const Eigen::Index n = products.cols() - 2;
    return products.block(1, 1, n, n);
  }
  [[nodiscard]] auto focal_by_intrinsics() const {
    return products.row(0).segment(1, products.cols() - 2);
  }
  [[nodiscard]] auto by_residuals() const {
    return products.col(products.cols() - 1).segment(1, products.cols() - 2);
  }
  [[nodiscard]] double focal_by_residuals() const { return products(0, products.cols() - 1); }
  [[nodiscard]] double residuals() const {
    return products(products.rows() - 1, products.cols() - 1);
  }
};

/// nullopt without points to spare.
std::optional<FrameProducts> products_of(const ModelKernel& kernel,
                                         const ViewPoints& points,
                                         const Eigen::VectorXd& intrinsics,
                                         const Pose& pose) {
  using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  const auto rows = static_cast<Eigen::Index>(2 * points.size());
  const double freedom = static_cast<double>(rows - kNumPose - 1);
  if (!(freedom >= 1.0)) return std::nullopt;
  Eigen::VectorXd residuals(rows);
  RowMajor by_intrinsics(rows, kernel.num_intrinsics());
  RowMajor by_pose(rows, kNumPose);
  const Eigen::Vector3d& t = pose.translation_mm;
  const std::array<double, kNumPose> step{0.0, 0.0, 0.0, t.x(), t.y(), t.z()};
  if (!kernel.evaluate(points,
                       intrinsics.data(),
                       pose,
                       step.data(),
                       0.0,
                       residuals.data(),
                       by_intrinsics.data(),
                       by_pose.data())) {
    return std::nullopt;
  }
  const OrthogonalFactor of_pose{by_pose};
  Eigen::MatrixXd all(rows, kernel.num_intrinsics() + 2);
  all << by_intrinsics.leftCols<2>() * intrinsics.head<2>(), by_intrinsics, residuals;
  const Eigen::MatrixXd left = of_pose.beyond(all);
  FrameProducts result{.freedom = freedom, .products = left.transpose() * left};
  if (!result.products.allFinite() || !(result.focal() > 0.0)) return std::nullopt;
  return result;
}

/// How the intrinsics of the fit would change if each used frame had its own focal length: one
/// Gauss-Newton step. A common change of the focal lengths is no part of it.
Eigen::VectorXd shared_step(const std::vector<FrameProducts>& frames,
                            Eigen::Index num_intrinsics,
                            int num_fixed) {
  constexpr double kNothing = 1e-10;
  Eigen::MatrixXd products = Eigen::MatrixXd::Zero(num_intrinsics, num_intrinsics);
  Eigen::VectorXd by_residuals = Eigen::VectorXd::Zero(num_intrinsics);
  for (const FrameProducts& frame : frames) {
    if (!frame.used) continue;
    const Eigen::VectorXd share = frame.focal_by_intrinsics().transpose() / frame.focal();
    products += frame.intrinsics() - share * frame.focal_by_intrinsics();
    by_residuals += frame.by_residuals() - share * frame.focal_by_residuals();
  }
  products.topRows(num_fixed).setZero();
  products.leftCols(num_fixed).setZero();
  by_residuals.head(num_fixed).setZero();
  const Eigen::VectorXd scale = products.diagonal().unaryExpr(
      [](double square) { return square > 0.0 ? 1.0 / std::sqrt(square) : 0.0; });
  Eigen::CompleteOrthogonalDecomposition<Eigen::MatrixXd> inverse;
  inverse.setThreshold(kNothing);
  inverse.compute(scale.asDiagonal() * products * scale.asDiagonal());
  const Eigen::VectorXd scaled = inverse.solve(Eigen::VectorXd(scale.cwiseProduct(by_residuals)));
  return -scale.cwiseProduct(scaled);
}

FrameFocal own_focal(const FrameProducts& frame, const Eigen::VectorXd& step) {
  const double by_focal = frame.focal_by_residuals() + frame.focal_by_intrinsics().dot(step);
  const double residuals = frame.residuals() + 2.0 * step.dot(frame.by_residuals()) +
                           step.dot(frame.intrinsics() * step);
  const double noise =
      std::max(0.0, residuals - by_focal * by_focal / frame.focal()) / frame.freedom;
  return {.frame = frame.frame,
          .change = -by_focal / frame.focal(),
          .sigma = std::sqrt(noise / frame.focal()),
          .noise_sigma_px = std::sqrt(noise)};
}

/// Whether focal lengths of their own explain what the frames leave: with them hardly more than the
/// noise of single corners is left. Else something else is wrong with the frames (a bent chart, a
/// model that cannot follow the lens), and what looks like another focal length is that.
bool is_explained(const std::vector<FrameFocal>& frames, const LensFit& fit) {
  if (!fit.systematic_share || frames.empty()) return false;
  const double local_px =
      fit.noise_sigma_px * std::sqrt(std::max(0.0, 1.0 - *fit.systematic_share));
  double squares = 0.0;
  for (const FrameFocal& frame : frames) squares += frame.noise_sigma_px * frame.noise_sigma_px;
  return std::sqrt(squares / static_cast<double>(frames.size())) <= kHardlyMore * local_px;
}

/// Some of the frames, in order of their change.
struct Group {
  double mean = 0.0;     // weighted by what each frame knows
  double weight = 0.0;   // sum of 1 / sigma^2
  double squares = 0.0;  // about the mean, weighted; expected: count - 1
  double freedom = 0.0;  // by so much squares grow per variance that all frames have besides
  std::size_t count = 0;

  /// The variance of a frame that knows its focal length as well as is usual in the group.
  [[nodiscard]] double typical_variance() const { return static_cast<double>(count) / weight; }
};

Group group_of(std::span<const FrameFocal> frames) {
  Group group{.count = frames.size()};
  double squared_weights = 0.0;
  for (const FrameFocal& frame : frames) {
    const double weight = 1.0 / (frame.sigma * frame.sigma);
    group.mean += weight * frame.change;
    group.weight += weight;
    squared_weights += weight * weight;
  }
  group.mean /= group.weight;
  for (const FrameFocal& frame : frames) {
    const double off = (frame.change - group.mean) / frame.sigma;
    group.squares += off * off;
  }
  group.freedom = group.weight - squared_weights / group.weight;
  return group;
}

/// How far two groups are apart.
struct Gap {
  double of_frame = 0.0;  // in standard deviations of a usual frame of the smaller group
  double of_means = 0.0;  // in standard deviations of the difference of the means
  double scatter = 0.0;   // standard deviation of frames within a group beyond their own
};

Gap gap_between(const Group& low, const Group& high) {
  const double num_spare = static_cast<double>(low.count + high.count) - 2.0;
  const double freedom = low.freedom + high.freedom;
  const double scatter =
      freedom > 0.0 ? std::max(0.0, low.squares + high.squares - num_spare) / freedom : 0.0;
  const auto variance_of_mean = [&](const Group& group) {
    return (group.typical_variance() + scatter) / static_cast<double>(group.count);
  };
  const Group& few = low.count <= high.count ? low : high;
  const double difference = high.mean - low.mean;
  return {.of_frame = difference / std::sqrt(few.typical_variance() + scatter),
          .of_means = difference / std::sqrt(variance_of_mean(low) + variance_of_mean(high)),
          .scatter = std::sqrt(scatter)};
}

/// The logarithm of the likelihood of groups whose frames scatter about their means by a common
/// standard deviation besides their own, at the best such; but for constants.
double log_likelihood(std::span<const std::span<const FrameFocal>> groups) {
  constexpr double kFirstScatter = 1e-5;
  constexpr double kFactor = 1.2;
  constexpr int kSteps = 60;
  double best = -std::numeric_limits<double>::infinity();
  double scatter = 0.0;
  for (int step = 0; step < kSteps; ++step) {
    double sum = 0.0;
    for (const std::span<const FrameFocal> group : groups) {
      double weights = 0.0;
      double mean = 0.0;
      for (const FrameFocal& f : group) {
        const double weight = 1.0 / (f.sigma * f.sigma + scatter * scatter);
        weights += weight;
        mean += weight * f.change;
        sum += 0.5 * std::log(weight);
      }
      mean /= weights;
      for (const FrameFocal& f : group) {
        const double off = f.change - mean;
        sum -= 0.5 * off * off / (f.sigma * f.sigma + scatter * scatter);
      }
    }
    best = std::max(best, sum);
    scatter = step == 0 ? kFirstScatter : kFactor * scatter;
  }
  return best;
}

/// By how much the logarithm of the likelihood grows when frames, in order of their change, are two
/// groups instead of one that scatters; what it costs to say which frame belongs where is taken off
/// (classification likelihood: Celeux and Govaert, Pattern Recognition 28(5), 1995).
double gain_of_two(std::span<const FrameFocal> frames, std::size_t cut) {
  const std::array one{frames};
  const std::array two{frames.first(cut), frames.subspan(cut)};
  const double count = static_cast<double>(frames.size());
  double cost = 0.0;
  for (const std::span<const FrameFocal> group : two) {
    const double size = static_cast<double>(group.size());
    cost -= size * std::log(size / count);
  }
  return log_likelihood(two) - log_likelihood(one) - cost;
}

std::string names_of(const LensFit& fit, const std::vector<std::size_t>& frames) {
  std::string names;
  for (std::size_t i = 0; i < std::min(frames.size(), kNamed); ++i) {
    names += fmt::format("{}{}", i > 0 ? ", " : "", fit.frames[frames[i]].frame);
  }
  return frames.size() > kNamed ? names + ", ..." : names;
}

void warn_of_two(const TwoFocals& two, LensFit& fit) {
  const double focal = fit.lens.focal_px.x();
  fit.warnings.push_back(
      {"mixed-focal",
       fmt::format(
           "frames look shot at two focal lengths, {:.1f} px ({} frames: {}) and {:.1f} px "
           "({} frames: {}), {:.0f} standard deviations apart: calibrate each group by itself",
           focal * (1.0 + two.few_change),
           two.few.size(),
           names_of(fit, two.few),
           focal * (1.0 + two.many_change),
           two.many.size(),
           names_of(fit, two.many),
           two.apart),
       std::max(two.few_change, two.many_change) - std::min(two.few_change, two.many_change)});
}

std::string why_left_out(const TwoFocals& two, const LensFit& fit) {
  const double focal = fit.lens.focal_px.x();
  return fmt::format(
      "it fits a focal length of {:.1f} px by itself, most frames one of {:.1f} px ({:.0f} "
      "standard "
      "deviations apart): another focus or zoom",
      focal * (1.0 + two.few_change),
      focal * (1.0 + two.many_change),
      two.apart);
}

}  // namespace

std::vector<FrameFocal> frame_focals(const ModelKernel& kernel,
                                     const std::vector<target::View>& views,
                                     const LensFit& fit,
                                     FocalMode focal_mode) {
  const ChartPlaces chart(fit.chart);
  std::vector<FrameProducts> frames;
  for (std::size_t f = 0; f < views.size(); ++f) {
    const FrameFit& entry = fit.frames[f];
    if (!entry.has_pose) continue;
    std::optional<FrameProducts> products = products_of(
        kernel, points_of(views[f], entry, chart), fit.parameters, entry.camera_from_chart);
    if (!products) continue;
    products->frame = f;
    products->used = entry.used;
    frames.push_back(*std::move(products));
  }
  const Eigen::VectorXd step = shared_step(frames, kernel.num_intrinsics(), num_fixed(focal_mode));
  std::vector<FrameFocal> result;
  for (const FrameProducts& frame : frames) {
    const FrameFocal own = own_focal(frame, step);
    if (!frame.used && !(own.noise_sigma_px < kAsGood * fit.noise_sigma_px)) continue;
    result.push_back(own);
  }
  return result;
}

std::optional<TwoFocals> two_focals(const std::vector<FrameFocal>& frames) {
  std::vector<FrameFocal> telling;
  for (const FrameFocal& f : frames) {
    if (f.sigma > 0.0 && f.sigma < kVagueFocal && std::isfinite(f.change)) telling.push_back(f);
  }
  if (telling.size() < kFewestFrames) return std::nullopt;
  std::sort(telling.begin(), telling.end(), [](const FrameFocal& a, const FrameFocal& b) {
    return std::pair(a.change, a.frame) < std::pair(b.change, b.frame);
  });
  std::optional<TwoFocals> best;
  const std::span<const FrameFocal> all = telling;
  for (std::size_t cut = 1; cut < all.size(); ++cut) {
    const Group low = group_of(all.first(cut));
    const Group high = group_of(all.subspan(cut));
    const Gap gap = gap_between(low, high);
    if (!(gap.of_frame >= kLeastApart) || !(gap.of_means >= kLeastSure) ||
        !(high.mean - low.mean >= kLeastChange) || (best && gap.of_means <= best->apart) ||
        !(gain_of_two(all, cut) >= kLeastGainOfTwo)) {
      continue;
    }
    const bool low_is_few = low.count <= high.count;
    const double usual = (low_is_few ? high : low).mean;
    best.emplace();
    for (std::size_t i = 0; i < all.size(); ++i) {
      // One that hardly tells its focal length may stand on the wrong side by chance.
      const double of_frame = std::hypot(all[i].sigma, gap.scatter);
      const bool clear = std::abs(all[i].change - usual) >= kLeastOfOne * of_frame;
      ((i < cut) == low_is_few && clear ? best->few : best->many).push_back(all[i].frame);
    }
    best->few_change = (low_is_few ? low : high).mean;
    best->many_change = (low_is_few ? high : low).mean;
    best->apart = gap.of_means;
  }
  if (!best || best->few.empty()) return std::nullopt;
  std::sort(best->few.begin(), best->few.end());
  std::sort(best->many.begin(), best->many.end());
  return best;
}

Result<LensFit> fit_with_one_focal(const FitFunction& fit,
                                   const ModelKernel& kernel,
                                   const std::vector<target::View>& views,
                                   const FitOptions& options) {
  Result<LensFit> fitted = fit(options);
  FitOptions less = options;
  for (int round = 0; fitted && !is_interrupted(options.interrupt); ++round) {
    const std::vector<FrameFocal> frames = frame_focals(kernel, views, *fitted, options.focal_mode);
    const std::optional<TwoFocals> two = two_focals(frames);
    if (!two || !is_explained(frames, *fitted)) break;
    const bool minority = static_cast<double>(two->few.size()) <=
                          kClearMinority * static_cast<double>(two->few.size() + two->many.size());
    if (!minority || options.rejection == Rejection::kOff || round == kMaxRounds) {
      warn_of_two(*two, *fitted);
      break;
    }
    for (const std::size_t frame : two->few) less.left_out[frame] = why_left_out(*two, *fitted);
    Result<LensFit> again = fit(less);
    if (!again) {
      warn_of_two(*two, *fitted);
      break;
    }
    fitted = std::move(again);
  }
  return fitted;
}

}  // namespace trueplate::fit::detail
