#include "calib/plate/line_fit.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/base/counted.h"
#include "calib/fit/detail/map_uncertainty.h"
#include "calib/plate/detail/held_centre.h"
#include "calib/plate/detail/line_bow.h"
#include "calib/plate/detail/line_choice.h"
#include "calib/plate/detail/line_doubt.h"
#include "calib/plate/detail/line_prepare.h"
#include "calib/plate/detail/line_screen.h"
#include "calib/plate/detail/line_starts.h"
#include "calib/plate/detail/line_vote.h"

namespace trueplate::plate {
namespace {

using detail::Chain;
using detail::LensProblem;
using detail::LineModel;
using detail::ScreenedLens;

constexpr double kLeastFocal = 0.05;  // of the plate's longer side
constexpr double kMostFocal = 200.0;
constexpr double kLeastNoisePx = 0.05;  // believed of points before they are fitted
/// With fewer chains the second coefficient of the screening lens would explain what is wrong.
constexpr std::size_t kManyChains = 8;

bool is_bad_number(const Point2d& p) { return !p.allFinite(); }

Result<void> check(const LineSet& lines, const LineFitOptions& options) {
  const auto refuse = [](std::string message) {
    return fail(ErrorCode::kInvalidInput, std::move(message));
  };
  const ImageSize size = lines.plate_size;
  if (size.width <= 0 || size.height <= 0 || std::max(size.width, size.height) > kMaxImageSide) {
    return refuse(fmt::format(
        "the plate is {}x{}, wanted sides of 1 to {} px", size.width, size.height, kMaxImageSide));
  }
  for (const LineChain& chain : lines.chains) {
    if (std::any_of(chain.points_px.begin(), chain.points_px.end(), is_bad_number)) {
      return refuse(fmt::format("{}: a point is not a finite number", title_of(chain)));
    }
  }
  if (detail::models_wanted(options).empty()) {
    return refuse(
        fmt::format("lines are not fitted with '{}' and {} radial terms; wanted auto, "
                    "radial-tangential (1 or 2 terms), division-1 or division-2",
                    options.model,
                    options.radial_terms));
  }
  const double longer = std::max(size.width, size.height);
  if (options.focal_px) {
    const Point2d& focal = *options.focal_px;
    if (!(focal.minCoeff() >= kLeastFocal * longer && focal.maxCoeff() <= kMostFocal * longer)) {
      return refuse(
          fmt::format("the focal length is {} x {} px, wanted {} to {} times the "
                      "plate's longer side",
                      focal.x(),
                      focal.y(),
                      kLeastFocal,
                      kMostFocal));
    }
  }
  if (!(options.focal_ratio >= kLeastFocal && options.focal_ratio <= 1.0 / kLeastFocal)) {
    return refuse(fmt::format("the ratio of the focal lengths is {}, wanted {} to {}",
                              options.focal_ratio,
                              kLeastFocal,
                              1.0 / kLeastFocal));
  }
  if (options.centre_px) {
    const Point2d& centre = *options.centre_px;
    const auto is_inside = [](double value, int side) { return value >= 0.0 && value <= side; };
    if (!is_inside(centre.x(), size.width) || !is_inside(centre.y(), size.height)) {
      return refuse(fmt::format("the distortion centre is ({}, {}) px, outside the plate of {}x{}",
                                centre.x(),
                                centre.y(),
                                size.width,
                                size.height));
    }
  }
  return {};
}

Eigen::Vector4d pinhole_of(ImageSize size, const LineFitOptions& options) {
  const double assumed = kAssumedFocal * std::max(size.width, size.height);
  const Point2d focal = options.focal_px.value_or(Point2d(assumed, assumed / options.focal_ratio));
  const Point2d centre = options.centre_px.value_or(Point2d(0.5 * size.width, 0.5 * size.height));
  return {focal.x(), focal.y(), centre.x(), centre.y()};
}

/// What is fitted of the pinhole: the centre, unless it was given.
LensProblem pinhole_problem(ImageSize size, const LineFitOptions& options) {
  const double doubt_px = kCentreDoubt * std::max(size.width, size.height);
  LensProblem problem{.plate_size = size, .free = {}};
  problem.prior_centre_px = {0.5 * size.width, 0.5 * size.height};
  problem.prior_weight = kLeastNoisePx * kLeastNoisePx / (doubt_px * doubt_px);
  if (!options.centre_px) problem.free = {2, 3};
  return problem;
}

Error undetermined(std::size_t num_lines, double doubt_px) {
  return {ErrorCode::kUndetermined,
          fmt::format("{} would leave the distortion open{}; lines through the middle of the frame "
                      "stay straight whatever the lens, and short ones say little: add long lines "
                      "near the edges",
                      counted(num_lines, "line"),
                      std::isfinite(doubt_px) && doubt_px < 1e6
                          ? fmt::format(": a straight line along the frame's edge could bend by "
                                        "{:.0f} px more or less",
                                        doubt_px)
                          : std::string())};
}

double most_doubt_px(ImageSize size) {
  return kMostEdgeBendDoubt * std::min(size.width, size.height);
}

/// Whether the chains could tell one coefficient about a fixed centre, whatever the others.
Result<void> check_information(const Eigen::Vector4d& pinhole,
                               double lambda,
                               const std::vector<Chain>& chains,
                               const std::vector<bool>& used,
                               ImageSize size) {
  const LineModel model{"division-1", 1};
  const LensProblem problem = detail::problem_of(model, {.plate_size = size, .free = {}});
  const auto shared = detail::chosen(chains, used);
  const Eigen::VectorXd start = detail::start_of(model, pinhole, lambda, shared, size);
  const auto lens = detail::adjust(problem, start, shared);
  if (!lens) return {};
  ScreenedLens fit{.problem = problem, .lens = *lens, .lines = {}, .used = {}, .reasons = {}};
  fit.structure_px = kLeastNoisePx;
  const auto covariance = detail::covariance_of(fit);
  if (!covariance) return fail(undetermined(shared.size(), INFINITY));
  // At the start, where the whole edge is imaged.
  const auto bend = detail::edge_bend(problem, start, *covariance);
  if (bend && bend->sigma_px > most_doubt_px(size)) {
    return fail(undetermined(shared.size(), bend->sigma_px));
  }
  return {};
}

/// The chains that one lens makes straight, by lenses with room for more than one coefficient: that
/// which makes most points straight, since a strong lens of another family would leave out the
/// edges near the corners.
std::optional<ScreenedLens> first_screen(const LensProblem& pinhole_problem,
                                         const Eigen::Vector4d& pinhole,
                                         const detail::Vote& vote,
                                         const std::vector<Chain>& chains,
                                         const LineFitOptions& options) {
  const auto shared = detail::chosen(chains, vote.supports);
  const auto screen_from =
      [&](const LineModel& model, const Eigen::VectorXd& start, const std::vector<bool>& used) {
        return detail::screened(
            detail::problem_of(model, pinhole_problem), start, chains, used, options.rejection);
      };
  const auto screen_by = [&](const LineModel& model) {
    return screen_from(
        model,
        detail::start_of(model, pinhole, vote.lambda, shared, pinhole_problem.plate_size),
        vote.supports);
  };
  const auto num_points_used = [&](const ScreenedLens& screen) {
    std::size_t count = 0;
    for (const Chain* chain : detail::chosen(chains, screen.used)) count += chain->size();
    return count;
  };
  constexpr LineModel kDivision{"division-2", 2};
  constexpr LineModel kRadial{"radial-tangential", 2};
  if (chains.size() < kManyChains) return screen_by({"division-1", 1});
  std::optional<ScreenedLens> best = screen_by(kDivision);
  std::vector<std::optional<ScreenedLens>> others;
  others.push_back(screen_by(kRadial));
  if (best) {
    // A strong lens has valleys of its own; the other family's curve leads to the right one.
    const auto like = detail::start_like(
        kRadial, best->problem, best->lens.intrinsics, detail::chosen(chains, best->used));
    // From all lines as well: those that one coefficient does not make straight may be those that
    // tell of the second.
    const std::vector<bool> all(chains.size(), true);
    others.push_back(screen_from(kDivision, best->lens.intrinsics, all));
    if (like) others.push_back(screen_from(kRadial, *like, vote.supports));
    if (like) others.push_back(screen_from(kRadial, *like, all));
  }
  for (std::optional<ScreenedLens>& other : others) {
    if (!other || (best && num_points_used(*other) <= num_points_used(*best))) continue;
    best = std::move(other);
  }
  return best ? std::move(best) : screen_by({"division-1", 1});
}

std::optional<Straightness> straightened(const lens::Lens& lens, const Chain& points) {
  Chain straight;
  for (const Point2d& p_px : points) {
    const auto p = lens::undistort_px(lens, p_px);
    if (!p) return std::nullopt;
    straight.push_back(*p);
  }
  return detail::best_line(straight).off;
}

void add_lines(const LineSet& lines,
               const detail::PreparedLines& prepared,
               const ScreenedLens& screen,
               LineFit& fit) {
  for (std::size_t i = 0; i < lines.chains.size(); ++i) {
    const LineChain& chain = lines.chains[i];
    const detail::BestLine best = detail::best_line(chain.points_px);
    fit.lines.push_back({.name = chain.name,
                         .frame = chain.frame,
                         .num_points = static_cast<int>(chain.points_px.size()),
                         .length_px = best.length_px,
                         .before = best.off,
                         .after = straightened(fit.lens, chain.points_px),
                         .residual_rms_px = std::nullopt,
                         .used = false,
                         .reason = prepared.reasons[i]});
  }
  for (std::size_t i = 0; i < prepared.chains.size(); ++i) {
    LineResult& line = fit.lines[prepared.sources[i]];
    line.used = screen.used[i];
    line.reason = screen.reasons[i];
    if (!screen.lines[i]) continue;
    line.residual_rms_px = std::sqrt(screen.lines[i]->sum_squares_px2() /
                                     static_cast<double>(prepared.chains[i].size()));
  }
}

/// Figures of the residuals, and where the lines are.
void add_figures(const std::vector<Chain>& chains, const ScreenedLens& screen, LineFit& fit) {
  std::vector<double> distances;
  double rest = 0.0;
  double num_rest = 0.0;
  Point2d low = Point2d::Constant(std::numeric_limits<double>::infinity());
  Point2d high = -low;
  double reach = 0.0;
  for (std::size_t i = 0; i < chains.size(); ++i) {
    if (!screen.used[i]) continue;
    ++fit.num_lines;
    for (const double residual : screen.lines[i]->residuals_px) {
      distances.push_back(std::abs(residual));
    }
    const detail::LineShape shape = detail::shape_of(*screen.lines[i]);
    rest += shape.rest_squares;
    num_rest += shape.num_rest;
    for (const Point2d& p : chains[i]) {
      low = low.cwiseMin(p);
      high = high.cwiseMax(p);
      reach = std::max(reach, (p - fit.lens.principal_point_px).norm());
    }
  }
  std::sort(distances.begin(), distances.end());
  fit.num_points = static_cast<int>(distances.size());
  double sum = 0.0;
  for (const double distance : distances) sum += distance * distance;
  fit.rms_px = std::sqrt(sum / static_cast<double>(distances.size()));
  fit.max_px = distances.back();
  fit.p95_px = distances[(distances.size() - 1) * 95 / 100];
  fit.noise_px = num_rest > 0.0 ? std::sqrt(rest / num_rest) : fit.rms_px;
  fit.structure_px = screen.structure_px;
  const double share = fit.structure_px > 0.0 ? fit.noise_px / fit.structure_px : 1.0;
  fit.independent_points = static_cast<double>(fit.num_points) * std::min(1.0, share * share);
  const auto whole = [](double value) { return static_cast<int>(std::floor(value)); };
  fit.coverage = {.x = whole(low.x()),
                  .y = whole(low.y()),
                  .width = whole(high.x()) - whole(low.x()) + 1,
                  .height = whole(high.y()) - whole(low.y()) + 1};
  double corner = 0.0;
  const ImageSize size = fit.lens.plate_size;
  for (const Point2d& p : {Point2d(0, 0),
                           Point2d(size.width, 0),
                           Point2d(0, size.height),
                           Point2d(size.width, size.height)}) {
    corner = std::max(corner, (p - fit.lens.principal_point_px).norm());
  }
  fit.reach = reach / corner;
}

}  // namespace

std::vector<std::string> line_models() { return {"radial-tangential", "division-1", "division-2"}; }

Result<LineFit> fit_lens_to_lines(const LineSet& lines, const LineFitOptions& options) {
  if (Result<void> checked = check(lines, options); !checked) return fail(checked.error());
  const detail::PreparedLines prepared = detail::prepared(lines);
  const std::vector<Chain>& chains = prepared.chains;
  if (chains.empty()) {
    return fail(ErrorCode::kUndetermined,
                lines.chains.empty()
                    ? std::string("no lines at all; wanted long straight edges of the world")
                    : fmt::format("of {} none can be fitted; {} {}",
                                  counted(lines.chains.size(), "line"),
                                  title_of(lines.chains.front()),
                                  prepared.reasons.front()));
  }
  const ImageSize size = lines.plate_size;
  const Eigen::Vector4d pinhole = pinhole_of(size, options);
  detail::Vote vote = detail::vote(
      {.plate_size = size, .focal_px = pinhole.head<2>(), .centre_px = pinhole.tail<2>()}, chains);
  const auto all = std::vector<bool>(chains.size(), true);
  const auto num_supports = std::count(vote.supports.begin(), vote.supports.end(), true);
  if (options.rejection == LineRejection::kOff || num_supports == 0) vote.supports = all;
  if (Result<void> checked = check_information(pinhole, vote.lambda, chains, vote.supports, size);
      !checked) {
    return fail(checked.error());
  }
  const std::optional<ScreenedLens> screen =
      first_screen(pinhole_problem(size, options), pinhole, vote, chains, options);
  if (!screen) {
    return fail(ErrorCode::kNotConverged,
                fmt::format("no lens could be fitted to {}: perhaps not straight in the world, or "
                            "'# image:' is wrong",
                            counted(chains.size(), "line")));
  }
  Result<detail::LineChoice> choice = detail::choose_line_model(
      detail::models_wanted(options), *screen, vote.lambda, chains, options);
  if (!choice) return fail(choice.error());
  const ScreenedLens& best = choice->fit;
  const auto covariance = detail::covariance_of(best);
  const auto num_used =
      static_cast<std::size_t>(std::count(best.used.begin(), best.used.end(), true));
  if (!covariance || best.independent_terms < 0.5) {
    return fail(undetermined(num_used, INFINITY));
  }
  const Result<lens::Lens> lens =
      fit::detail::lens_of(*best.problem.kernel, best.lens.intrinsics, size);
  if (!lens) return fail(lens.error());

  LineFit fit;
  fit.lens = *lens;
  fit.covariance = *covariance;
  fit.sigma = covariance->diagonal().cwiseSqrt();
  fit.parameter_names = {"focal_x_px", "focal_y_px", "principal_x_px", "principal_y_px"};
  for (const std::string_view name : best.problem.kernel->parameter_names) {
    fit.parameter_names.emplace_back(name);
  }
  fit.trials = std::move(choice->trials);
  fit.held_out_rms_px = choice->held_out_rms_px;
  fit.edge_bend = detail::edge_bend(best.problem, best.lens.intrinsics, *covariance);
  const fit::detail::MapSigma map =
      fit::detail::map_sigma(fit.lens, fit.covariance, fit::Absorbed::kRotationAndFocal);
  fit.model_doubt = choice->doubt;
  const MapsApart model_doubt = fit.model_doubt.value_or(MapsApart());
  fit.map_sigma_rms_px = std::hypot(map.rms_px, model_doubt.rms_px);
  fit.map_sigma_max_px = std::hypot(map.max_px, model_doubt.max_px);
  const fit::detail::MapSigma bend =
      fit::detail::map_sigma(fit.lens, fit.covariance, fit::Absorbed::kProjective);
  fit.bend_sigma_rms_px = std::hypot(bend.rms_px, model_doubt.rms_px);
  fit.bend_sigma_max_px = std::hypot(bend.max_px, model_doubt.max_px);
  const double doubt_px = fit.edge_bend ? fit.edge_bend->sigma_px : map.max_px;
  if (!(doubt_px <= most_doubt_px(size))) return fail(undetermined(num_used, doubt_px));
  add_lines(lines, prepared, best, fit);
  add_figures(chains, best, fit);
  // With all lines kept their straightness is the user's word.
  if (options.rejection == LineRejection::kByShape) {
    if (Result<void> straight = detail::check_straight(fit); !straight) {
      return fail(straight.error());
    }
  }
  fit.warnings = detail::line_warnings(fit, options, prepared.num_duplicates);
  if (options.centre_px) {
    const auto contradicted = detail::centre_contradicted(best, chains);
    if (contradicted) fit.warnings.push_back(*contradicted);
  }
  return fit;
}

}  // namespace trueplate::plate
