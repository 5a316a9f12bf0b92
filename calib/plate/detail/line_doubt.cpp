#include "calib/plate/detail/line_doubt.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calib/base/counted.h"
#include "calib/base/decompositions.h"
#include "calib/plate/detail/line_bow.h"

namespace trueplate::plate::detail {
namespace {

using fit::detail::kNumPinhole;

constexpr double kIndependent = 1e-13;  // smallest share of information that counts as any
constexpr double kWeakBendPx = 1.0;     // of the longer edge, one standard deviation
constexpr double kStrongDraw = 0.08;
constexpr double kStrongBend = 0.06;  // of the longer side
constexpr double kEnoughReach = 0.8;
constexpr int kFewLines = 5;
constexpr double kMuchLeftOut = 0.5;
constexpr double kLong = 0.5;  // of the longest line
constexpr double kMuchOfLongest = 1.0 / 3.0;

bool was_judged(const LineResult& line) { return line.used || line.residual_rms_px; }

/// Lines of at least `least_px` that were left out because they did not fit, and all of them.
struct LeftOut {
  double length_px = 0.0;
  double length_of_all_px = 0.0;
  int count = 0;
  int count_of_all = 0;

  [[nodiscard]] double share() const {
    return length_of_all_px > 0.0 ? length_px / length_of_all_px : 0.0;
  }
};
LeftOut left_out(const LineFit& fit, double least_px) {
  LeftOut result;
  for (const LineResult& line : fit.lines) {
    if (!was_judged(line) || line.length_px < least_px) continue;
    result.length_of_all_px += line.length_px;
    ++result.count_of_all;
    if (line.used) continue;
    result.length_px += line.length_px;
    ++result.count;
  }
  return result;
}

/// Long lines bend most: without them a lens is told by those that know little of it.
void add_left_out(const LineFit& fit, std::vector<Warning>& warnings) {
  if (const double share = left_out(fit, 0.0).share(); share > kMuchLeftOut) {
    warnings.push_back({"most-lines-left-out",
                        fmt::format("{:.0f} % of the length of all lines did not fit; look at "
                                    "which were kept, with --draw",
                                    100.0 * share),
                        share});
    return;
  }
  double longest_px = 0.0;
  for (const LineResult& line : fit.lines) {
    if (was_judged(line)) longest_px = std::max(longest_px, line.length_px);
  }
  const double long_px = kLong * longest_px;
  const LeftOut longest = left_out(fit, long_px);
  if (longest.share() <= kMuchOfLongest) return;
  warnings.push_back(
      {"longest-lines-left-out",
       fmt::format("of the {} longer than {:.0f} px, which tell most of the lens, {} did not fit "
                   "({:.0f} % of their length); look at them with --draw: where they are straight "
                   "in the world, --keep-all keeps them",
                   counted(longest.count_of_all, "line"),
                   long_px,
                   longest.count,
                   100.0 * longest.share()),
       longest.share()});
}

void add_focal(const LineFit& fit, const LineFitOptions& options, std::vector<Warning>& warnings) {
  if (options.focal_px) return;
  warnings.push_back(
      {"focal-assumed",
       fmt::format("straight lines tell neither focal length nor aspect: {:.0f} px was assumed; "
                   "the straightening does not depend on it, the coefficients and a camera solve "
                   "do: give --focal and --film-back where they are known",
                   fit.lens.focal_px.x()),
       fit.lens.focal_px.x()});
}

void add_centre(const LineFit& fit, const LineFitOptions& options, std::vector<Warning>& warnings) {
  if (options.centre_px) return;
  const double doubt_px =
      kCentreDoubt * std::max(fit.lens.plate_size.width, fit.lens.plate_size.height);
  const double sigma_px = std::max(fit.sigma[2], fit.sigma[3]);
  if (sigma_px < 0.5 * doubt_px) return;
  warnings.push_back(
      {"centre-not-determined",
       fmt::format(
           "the lines hardly tell the distortion centre: it is known to {:.1f} px, of which "
           "{:.1f} px were believed beforehand; it stays near the middle of the plate",
           sigma_px,
           doubt_px),
       sigma_px});
}

void add_bend(const LineFit& fit, std::vector<Warning>& warnings) {
  if (!fit.edge_bend) {
    warnings.push_back(
        {"strong-bend",
         "a straight line along the frame's edge is not imaged whole: the lens folds before it "
         "gets there, as none does; look at --draw whether the lines that were used are straight "
         "in the world",
         0.0});
    return;
  }
  const auto [value_px, sigma_px] = *fit.edge_bend;
  if (sigma_px > kWeakBendPx) {
    warnings.push_back({"weak-lines",
                        fmt::format("the lines leave the bend along the frame's edge uncertain by "
                                    "{:.1f} px; add long lines near the edges",
                                    sigma_px),
                        sigma_px});
  }
  const double longer_px = std::max(fit.lens.plate_size.width, fit.lens.plate_size.height);
  if (std::abs(value_px) > kStrongBend * longer_px) {
    warnings.push_back(
        {"strong-bend",
         fmt::format("a straight line along the frame's edge bends by {:.0f} px, {:.1f} % of the "
                     "frame's longer side, as only very wide lenses do: look at --draw whether the "
                     "lines that were used are straight in the world",
                     value_px,
                     100.0 * std::abs(value_px) / longer_px),
         value_px});
  }
  if (std::abs(value_px) < 2.0 * sigma_px) {
    warnings.push_back({"no-distortion-shown",
                        fmt::format("the lines show no distortion: the edge bends by {:.2f} px, "
                                    "with a standard deviation of {:.2f} px",
                                    value_px,
                                    sigma_px),
                        value_px});
  }
}

/// How far the lens draws in the plate's farthest corner, as a share of where that comes from; 0
/// where it has no inverse there.
double corner_draw(const lens::Lens& lens) {
  const double width = lens.plate_size.width;
  const double height = lens.plate_size.height;
  double draw = 0.0;
  for (const Point2d& corner :
       {Point2d(0, 0), Point2d(width, 0), Point2d(0, height), Point2d(width, height)}) {
    const auto straight = lens::undistort_px(lens, corner);
    if (!straight) continue;
    draw =
        std::max(draw, (corner - *straight).norm() / (*straight - lens.principal_point_px).norm());
  }
  return draw;
}

void add_strong(const LineFit& fit, std::vector<Warning>& warnings) {
  const double draw = corner_draw(fit.lens);
  if (draw < kStrongDraw) return;
  warnings.push_back(
      {"strong-lens",
       fmt::format(
           "the lens moves the corners by {:.0f} % of their distance: of lenses this strong "
           "the true error was {:g} times the stated one, rms, and now and then more than "
           "twice as large; add lines near the corners, or shoot a chart",
           100.0 * draw,
           kStrongLensExcess),
       draw});
}

/// Models that the lines do not tell apart and that straighten the plate otherwise: told where that
/// is more than the rest of the stated error.
void add_disagreement(const LineFit& fit, std::vector<Warning>& warnings) {
  constexpr double kLeastPx = 0.25;  // at the worst place
  if (!fit.model_doubt || fit.model_doubt->max_px < kLeastPx) return;
  const double doubt_px = fit.model_doubt->rms_px;
  const double rest_px =
      std::sqrt(std::max(0.0, fit.map_sigma_rms_px * fit.map_sigma_rms_px - doubt_px * doubt_px));
  if (doubt_px < rest_px) return;
  const LineTrial* rival = nullptr;
  const LineTrial* chosen = nullptr;
  const auto share = [](const LineTrial& trial) {
    return trial.apart ? trial.weight * trial.apart->rms_px * trial.apart->rms_px : 0.0;
  };
  for (const LineTrial& trial : fit.trials) {
    if (trial.chosen) chosen = &trial;
    if (rival == nullptr || share(trial) > share(*rival)) rival = &trial;
  }
  if (chosen == nullptr || rival == nullptr || !rival->apart) return;
  warnings.push_back(
      {"models-disagree",
       fmt::format("{} meets the lines as well as {} (chance {:.0f} %) and straightens the plate "
                   "otherwise: {:.2f} px apart over the frame, {:.2f} px at ({:.0f}, {:.0f}); the "
                   "stated error counts that: add long lines near the edges and corners, give "
                   "--model where it is known, or shoot a chart",
                   rival->model,
                   chosen->model,
                   100.0 * rival->weight,
                   rival->apart->rms_px,
                   rival->apart->max_px,
                   rival->apart->worst_plate_px.x(),
                   rival->apart->worst_plate_px.y()),
       rival->apart->rms_px});
}

}  // namespace

std::optional<Eigen::MatrixXd> covariance_of(const ScreenedLens& fit) {
  const Eigen::MatrixXd& normal = fit.lens.normal;
  const Eigen::Index n = normal.rows();
  Eigen::VectorXd scale(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    if (!(normal(i, i) > 0.0)) return std::nullopt;
    scale[i] = 1.0 / std::sqrt(normal(i, i));
  }
  const auto solver =
      symmetric_eigen<Eigen::Dynamic>(scale.asDiagonal() * normal * scale.asDiagonal());
  if (!(solver.eigenvalues()[0] > kIndependent)) return std::nullopt;
  const Eigen::MatrixXd inverse = solver.eigenvectors() *
                                  solver.eigenvalues().cwiseInverse().asDiagonal() *
                                  solver.eigenvectors().transpose();
  const double variance = fit.structure_px * fit.structure_px;
  const Eigen::Index num_all = fit.lens.intrinsics.size();
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(num_all, num_all);
  for (Eigen::Index i = 0; i < n; ++i) {
    for (Eigen::Index j = 0; j < n; ++j) {
      covariance(fit.problem.free[static_cast<std::size_t>(i)],
                 fit.problem.free[static_cast<std::size_t>(j)]) =
          variance * scale[i] * inverse(i, j) * scale[j];
    }
  }
  return covariance;
}

std::optional<EdgeBend> edge_bend(const LensProblem& problem,
                                  const Eigen::VectorXd& intrinsics,
                                  const Eigen::MatrixXd& covariance) {
  const Result<lens::Lens> lens =
      fit::detail::lens_of(*problem.kernel, intrinsics, problem.plate_size);
  if (!lens) return std::nullopt;
  const double x = 0.5 * problem.plate_size.width / intrinsics[0];
  const double y = 0.5 * problem.plate_size.height / intrinsics[1];
  if (!(std::hypot(x, y) < lens::max_radius(lens->model))) return std::nullopt;
  const bool is_wide = problem.plate_size.width >= problem.plate_size.height;
  const int across = is_wide ? 1 : 0;
  const auto num = static_cast<Eigen::Index>(problem.kernel->parameter_names.size());
  EdgeBend bend;
  Eigen::VectorXd by_coefficients = Eigen::VectorXd::Zero(num);
  const auto add = [&](const Point2d& p_ideal, double weight) {
    Point2d p;
    Eigen::Matrix2d by_ideal;
    Eigen::VectorXd derivatives(2 * num);
    problem.kernel->distort(p_ideal.data(),
                            intrinsics.data() + kNumPinhole,
                            p.data(),
                            by_ideal.data(),
                            derivatives.data());
    const double factor = -weight * intrinsics[across];  // the edge lies where y is negative
    bend.value_px += factor * p[across];
    by_coefficients += factor * derivatives.segment(across * num, num);
  };
  add(Point2d(-x, -y), 0.5);
  add(is_wide ? Point2d(x, -y) : Point2d(-x, y), 0.5);
  add(is_wide ? Point2d(0.0, -y) : Point2d(-x, 0.0), -1.0);
  const Eigen::MatrixXd block = covariance.bottomRightCorner(num, num);
  const double variance = by_coefficients.dot(block * by_coefficients);
  bend.sigma_px = std::sqrt(std::max(0.0, variance));
  if (!std::isfinite(bend.value_px) || !std::isfinite(bend.sigma_px)) return std::nullopt;
  return bend;
}

std::vector<Warning> line_warnings(const LineFit& fit,
                                   const LineFitOptions& options,
                                   std::size_t num_duplicates) {
  std::vector<Warning> warnings;
  add_focal(fit, options, warnings);
  add_centre(fit, options, warnings);
  add_bend(fit, warnings);
  add_disagreement(fit, warnings);
  if (std::optional<Warning> bowed = still_bowed(fit)) warnings.push_back(*std::move(bowed));
  if (fit.reach < kEnoughReach) {
    warnings.push_back({"lines-do-not-reach",
                        fmt::format("the lines reach {:.0f} % of the way to the frame's corners; "
                                    "beyond, the lens is extrapolated (standard deviation up to "
                                    "{:.2f} px if the model holds): add lines near the corners",
                                    100.0 * fit.reach,
                                    fit.map_sigma_max_px),
                        fit.reach});
  }
  if (fit.num_lines < kFewLines) {
    warnings.push_back({"few-lines",
                        fmt::format("only {}: too few to tell one that is not straight in "
                                    "the world from the lens",
                                    counted(static_cast<std::size_t>(fit.num_lines), "line")),
                        static_cast<double>(fit.num_lines)});
  }
  add_strong(fit, warnings);
  add_left_out(fit, warnings);
  if (num_duplicates > 0) {
    warnings.push_back({"duplicate-points",
                        fmt::format("{} {} twice in a line and {} once",
                                    counted(num_duplicates, "point"),
                                    agreed(num_duplicates, "stands", "stand"),
                                    agreed(num_duplicates, "counts", "count")),
                        static_cast<double>(num_duplicates)});
  }
  if (const double share = lens::invertible_share_of_border(fit.lens); share < 1.0) {
    warnings.push_back({"not-invertible",
                        fmt::format("only {:.0f} % of the plate's border can be straightened: "
                                    "beyond the lines the fitted lens folds back; add lines near "
                                    "the corners",
                                    100.0 * share),
                        share});
  }
  return warnings;
}

}  // namespace trueplate::plate::detail
