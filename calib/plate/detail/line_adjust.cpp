#include "calib/plate/detail/line_adjust.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

using fit::detail::kNumPinhole;
using fit::detail::ModelKernel;

constexpr int kMostSteps = 60;
constexpr int kMostFootSteps = 20;
constexpr double kFootTolerancePx = 0.02;  // its square over the radius of curvature is the error
constexpr double kConverged = 1e-11;       // relative decrease of the sum of squares
constexpr double kMostDamping = 1e10;
constexpr Eigen::Index kMostCoefficients = 16;

/// The normal equations of one chain: shared parameters, the line's two, and between them.
struct ChainSystem {
  Eigen::MatrixXd shared;
  Eigen::MatrixXd mixed;  // shared x 2
  Eigen::Matrix2d line = Eigen::Matrix2d::Zero();
  Eigen::VectorXd shared_gradient;
  Eigen::Vector2d line_gradient = Eigen::Vector2d::Zero();
};

/// A lens at hand to evaluate.
struct Trial {
  const LensProblem& problem;
  const Eigen::VectorXd& intrinsics;
  double max_radius = 0.0;  // on z = 1
};

/// The image of a place on z = 1 with its derivatives.
struct Imaged {
  Point2d p_px;
  Eigen::Matrix2d by_ideal;
  Eigen::Matrix<double, 2, Eigen::Dynamic, 0, 2, kMostCoefficients> by_coefficients;
};

Imaged image_of(const Trial& trial, const Point2d& p_ideal) {
  const ModelKernel& kernel = *trial.problem.kernel;
  const double* intrinsics = trial.intrinsics.data();
  const auto num = static_cast<Eigen::Index>(kernel.parameter_names.size());
  double point[2];
  double by_ideal[4];
  double by_coefficients[2 * kMostCoefficients] = {};
  kernel.distort(p_ideal.data(), intrinsics + kNumPinhole, point, by_ideal, by_coefficients);
  Imaged imaged;
  imaged.by_coefficients.resize(2, num);
  for (int row = 0; row < 2; ++row) {
    const double focal = intrinsics[row];
    imaged.p_px[row] = focal * point[row] + intrinsics[2 + row];
    imaged.by_ideal(row, 0) = focal * by_ideal[2 * row];
    imaged.by_ideal(row, 1) = focal * by_ideal[2 * row + 1];
    for (Eigen::Index i = 0; i < num; ++i) {
      imaged.by_coefficients(row, i) = focal * by_coefficients[num * row + i];
    }
  }
  return imaged;
}

/// Adds one point to the chain's system; its foot moves to where the line's image is nearest. False
/// when the line leaves the domain of the lens.
bool add_point(const Trial& trial,
               const Point2d& p_px,
               WorldLine& line,
               std::size_t place,
               ChainSystem* system) {
  const Point2d along(std::cos(line.angle), std::sin(line.angle));
  const Point2d across(-along.y(), along.x());
  double& foot = line.feet[place];
  Imaged imaged;
  Point2d way;
  for (int step = 0;; ++step) {
    const Point2d p_ideal = line.anchor + foot * along;
    if (!(p_ideal.norm() < trial.max_radius)) return false;
    imaged = image_of(trial, p_ideal);
    way = imaged.by_ideal * along;
    const double speed2 = way.squaredNorm();
    if (!std::isfinite(speed2) || !imaged.p_px.allFinite() || !(speed2 > 0.0)) return false;
    const double move = (p_px - imaged.p_px).dot(way) / speed2;
    if (std::abs(move) * std::sqrt(speed2) < kFootTolerancePx) break;
    if (step == kMostFootSteps) return false;
    foot += move;
  }
  const Point2d normal = Point2d(-way.y(), way.x()).normalized();
  const double residual = normal.dot(imaged.p_px - p_px);
  line.residuals_px[place] = residual;
  if (system == nullptr) return true;

  const double of_shift = normal.dot(imaged.by_ideal * across);
  const Eigen::Vector2d by_line(of_shift, of_shift * foot);
  const auto num_free = static_cast<Eigen::Index>(trial.problem.free.size());
  Eigen::Matrix<double, kMostCoefficients + kNumPinhole, 1> slots =
      Eigen::Matrix<double, kMostCoefficients + kNumPinhole, 1>::Zero();
  auto by_shared = slots.head(num_free);
  for (Eigen::Index i = 0; i < num_free; ++i) {
    const int which = trial.problem.free[static_cast<std::size_t>(i)];
    by_shared[i] = which < kNumPinhole
                       ? normal[which - 2]
                       : normal.dot(imaged.by_coefficients.col(which - kNumPinhole));
  }
  system->shared += by_shared * by_shared.transpose();
  system->mixed += by_shared * by_line.transpose();
  system->line += by_line * by_line.transpose();
  system->shared_gradient += residual * by_shared;
  system->line_gradient += residual * by_line;
  return true;
}

ChainSystem empty_system(Eigen::Index num_free) {
  ChainSystem system;
  system.shared = Eigen::MatrixXd::Zero(num_free, num_free);
  system.mixed = Eigen::MatrixXd::Zero(num_free, 2);
  system.shared_gradient = Eigen::VectorXd::Zero(num_free);
  return system;
}

bool add_chain(const Trial& trial, const Chain& chain, WorldLine& line, ChainSystem* system) {
  for (std::size_t i = 0; i < chain.size(); ++i) {
    if (!add_point(trial, chain[i], line, i, system)) return false;
  }
  return true;
}

std::optional<lens::Lens> lens_at(const LensProblem& problem, const Eigen::VectorXd& intrinsics) {
  const Result<lens::Lens> lens =
      fit::detail::lens_of(*problem.kernel, intrinsics, problem.plate_size);
  return lens ? std::optional(*lens) : std::nullopt;
}

/// The line through the straightened points, whose feet are theirs.
std::optional<WorldLine> first_line(const lens::Lens& lens, const Chain& chain) {
  std::vector<Point2d> ideal;
  ideal.reserve(chain.size());
  Point2d mean(0.0, 0.0);
  for (const Point2d& p_px : chain) {
    const auto p = lens::undistort(lens.model, lens::ideal_from_px(lens, p_px));
    if (!p) return std::nullopt;
    ideal.push_back(*p);
    mean += *p;
  }
  mean /= static_cast<double>(ideal.size());
  Eigen::Matrix2d spread = Eigen::Matrix2d::Zero();
  for (const Point2d& p : ideal) spread += (p - mean) * (p - mean).transpose();
  const auto solver = symmetric_eigen<2>(spread);
  if (!(solver.eigenvalues()[1] > 0.0)) return std::nullopt;
  const Point2d along = solver.eigenvectors().col(1);
  WorldLine line{.anchor = mean,
                 .angle = std::atan2(along.y(), along.x()),
                 .feet = {},
                 .residuals_px = std::vector<double>(chain.size(), 0.0)};
  for (const Point2d& p : ideal) line.feet.push_back((p - mean).dot(along));
  return line;
}

/// `matrix` with its diagonal raised, so that it can be solved with.
template <class Matrix>
Matrix damped(const Matrix& matrix, double damping) {
  Matrix result = matrix;
  const double least = 1e-14 * std::max(matrix.trace(), std::numeric_limits<double>::min());
  for (Eigen::Index i = 0; i < result.rows(); ++i) {
    result(i, i) = result(i, i) * (1.0 + damping) + least;
  }
  return result;
}

/// A lens and its lines with all that a step needs.
struct State {
  Eigen::VectorXd intrinsics;
  std::vector<WorldLine> lines;
  std::vector<ChainSystem> systems;
  double cost = 0.0;
};

class Solver {
 public:
  Solver(const LensProblem& problem, const std::vector<const Chain*>& chains)
      : problem_(problem),
        chains_(chains),
        num_free_(static_cast<Eigen::Index>(problem.free.size())) {}

  /// Evaluates state.intrinsics and lines; false where it cannot be.
  bool evaluate(State& state) const {
    const std::optional<lens::Lens> lens = lens_at(problem_, state.intrinsics);
    if (!lens) return false;
    const Trial trial{.problem = problem_,
                      .intrinsics = state.intrinsics,
                      .max_radius = lens::max_radius(lens->model)};
    state.systems.assign(chains_.size(), empty_system(num_free_));
    state.cost = 0.0;
    for (std::size_t i = 0; i < chains_.size(); ++i) {
      if (!add_chain(trial, *chains_[i], state.lines[i], &state.systems[i])) return false;
      state.cost += state.lines[i].sum_squares_px2();
    }
    if (problem_.frees_centre()) {
      state.cost += problem_.prior_weight * centre_offset(state).squaredNorm();
    }
    return std::isfinite(state.cost);
  }

  /// The state after one damped step from `from`; not evaluated.
  [[nodiscard]] State stepped(const State& from, double damping) const {
    State to = from;
    Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(num_free_, num_free_);
    Eigen::VectorXd gradient = Eigen::VectorXd::Zero(num_free_);
    std::vector<Eigen::Matrix2d> inverses;
    for (const ChainSystem& system : from.systems) {
      inverses.push_back(damped(system.line, damping).inverse());
      normal += system.shared - system.mixed * inverses.back() * system.mixed.transpose();
      gradient += system.shared_gradient - system.mixed * inverses.back() * system.line_gradient;
    }
    add_prior(from, normal, gradient);
    Eigen::VectorXd step = Eigen::VectorXd::Zero(num_free_);
    if (num_free_ > 0) step = -solve_symmetric<Eigen::Dynamic>(damped(normal, damping), gradient);
    for (Eigen::Index i = 0; i < num_free_; ++i) {
      to.intrinsics[problem_.free[static_cast<std::size_t>(i)]] += step[i];
    }
    for (std::size_t i = 0; i < to.lines.size(); ++i) {
      const ChainSystem& system = from.systems[i];
      const Eigen::Vector2d move =
          -inverses[i] * (system.line_gradient + system.mixed.transpose() * step);
      WorldLine& line = to.lines[i];
      line.anchor += move[0] * Point2d(-std::sin(line.angle), std::cos(line.angle));
      line.angle += move[1];
    }
    return to;
  }

  [[nodiscard]] std::vector<LineShare> shares(const State& state) const {
    std::vector<LineShare> shares;
    for (const ChainSystem& system : state.systems) {
      const Eigen::Matrix2d inverse = damped(system.line, 0.0).inverse();
      shares.push_back(
          {.normal = system.shared - system.mixed * inverse * system.mixed.transpose(),
           .gradient = system.shared_gradient - system.mixed * inverse * system.line_gradient});
    }
    return shares;
  }

  void add_prior(const State& state, Eigen::MatrixXd& normal, Eigen::VectorXd& gradient) const {
    const Point2d offset = centre_offset(state);
    for (Eigen::Index i = 0; i < num_free_; ++i) {
      const int which = problem_.free[static_cast<std::size_t>(i)];
      if (which >= kNumPinhole) continue;
      normal(i, i) += problem_.prior_weight;
      gradient[i] += problem_.prior_weight * offset[which - 2];
    }
  }

 private:
  [[nodiscard]] Point2d centre_offset(const State& state) const {
    return state.intrinsics.segment<2>(2) - problem_.prior_centre_px;
  }

  const LensProblem& problem_;
  const std::vector<const Chain*>& chains_;
  Eigen::Index num_free_;
};

std::optional<State> solved(const Solver& solver, State state) {
  if (!solver.evaluate(state)) return std::nullopt;
  double damping = 1e-4;
  for (int step = 0; step < kMostSteps && damping < kMostDamping; ++step) {
    State next = solver.stepped(state, damping);
    const bool is_valid = next.intrinsics.allFinite() && solver.evaluate(next);
    if (!is_valid || !(next.cost < state.cost)) {
      // Nothing left to gain, as far as doubles tell.
      if (is_valid && damping < 1e-3 && next.cost <= state.cost * (1.0 + 1e-12)) break;
      damping *= 8.0;
      continue;
    }
    const double gain = state.cost - next.cost;
    state = std::move(next);
    if (gain <= kConverged * state.cost) break;
    damping = std::max(damping * 0.1, 1e-12);
  }
  return state;
}

}  // namespace

bool LensProblem::frees_centre() const {
  return std::any_of(free.begin(), free.end(), [](int which) { return which < kNumPinhole; });
}

double WorldLine::sum_squares_px2() const {
  double sum = 0.0;
  for (const double residual : residuals_px) sum += residual * residual;
  return sum;
}

std::optional<WorldLine> line_through(const LensProblem& problem,
                                      const Eigen::VectorXd& intrinsics,
                                      const Chain& chain) {
  LensProblem fixed = problem;
  fixed.free.clear();
  std::optional<AdjustedLens> adjusted = adjust(fixed, intrinsics, {&chain});
  if (!adjusted) return std::nullopt;
  return std::move(adjusted->lines.front());
}

std::optional<AdjustedLens> adjust(const LensProblem& problem,
                                   const Eigen::VectorXd& start,
                                   const std::vector<const Chain*>& chains) {
  const std::optional<lens::Lens> lens = lens_at(problem, start);
  if (!lens) return std::nullopt;
  State state{.intrinsics = start, .lines = {}, .systems = {}};
  for (const Chain* chain : chains) {
    std::optional<WorldLine> line = first_line(*lens, *chain);
    if (!line) return std::nullopt;
    state.lines.push_back(*std::move(line));
  }
  const Solver solver(problem, chains);
  std::optional<State> best = solved(solver, std::move(state));
  if (!best) return std::nullopt;
  AdjustedLens result{.intrinsics = best->intrinsics,
                      .lines = {},
                      .sum_squares_px2 = 0.0,
                      .data_normal = {},
                      .normal = {},
                      .shares = solver.shares(*best)};
  const auto num_free = static_cast<Eigen::Index>(problem.free.size());
  result.data_normal = Eigen::MatrixXd::Zero(num_free, num_free);
  for (const LineShare& share : result.shares) result.data_normal += share.normal;
  result.normal = result.data_normal;
  Eigen::VectorXd unused = Eigen::VectorXd::Zero(result.normal.rows());
  solver.add_prior(*best, result.normal, unused);
  result.lines = std::move(best->lines);
  for (const WorldLine& line : result.lines) result.sum_squares_px2 += line.sum_squares_px2();
  return result;
}

}  // namespace trueplate::plate::detail
