#include "calib/fit/detail/half_turns.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>

namespace trueplate::fit::detail {
namespace {

constexpr int kPowerSteps = 30;
constexpr int kMostSweeps = 20;
// The largest value of sum s_i s_j w_ij over signs s, for symmetric Gaussian w of variance 1 and
// many views, is 2 * 0.7632 V^1.5 / 2 over pairs (G. Parisi's ground state of the
// Sherrington-Kirkpatrick model; value from memory): what signs chosen freely gain from noise.
constexpr double kNoiseGain = 1.526;

/// A view's residuals as displacements on the print, in units of their root mean square; only
/// points whose opposites are seen too.
Eigen::VectorXd displacements(const ModelKernel& kernel,
                              const ViewPoints& view,
                              const Adjusted& state,
                              const Pose& pose,
                              const HalfTurn& turn,
                              std::size_t num_sites) {
  const auto corners = static_cast<Eigen::Index>(view.size());
  Eigen::VectorXd field = Eigen::VectorXd::Zero(2 * static_cast<Eigen::Index>(num_sites));
  std::vector<double> residuals(2 * view.size());
  Eigen::Matrix<double, Eigen::Dynamic, kNumPose, Eigen::RowMajor> by_pose(2 * corners, kNumPose);
  const Eigen::Vector3d& t = pose.translation_mm;
  const std::array<double, kNumPose> step = {0.0, 0.0, 0.0, t.x(), t.y(), t.z()};
  if (!kernel.evaluate(view,
                       state.intrinsics.data(),
                       pose,
                       step.data(),
                       0.0,
                       residuals.data(),
                       nullptr,
                       by_pose.data())) {
    return field;
  }
  std::vector<char> seen(num_sites, 0);
  for (const int site : view.site) seen[static_cast<std::size_t>(site)] = 1;
  for (Eigen::Index c = 0; c < corners; ++c) {
    const int site = view.site[static_cast<std::size_t>(c)];
    if (!seen[static_cast<std::size_t>(turn.opposite(site))]) continue;
    const Eigen::Matrix2d by_print = by_pose.block<2, 3>(2 * c, 3) * pose.rotation.leftCols<2>();
    const Eigen::Vector2d r(residuals[static_cast<std::size_t>(2 * c)],
                            residuals[static_cast<std::size_t>(2 * c + 1)]);
    field.segment<2>(2 * site) = -by_print.colPivHouseholderQr().solve(r);
  }
  const double norm = field.norm();
  if (!(norm > 0.0) || !field.allFinite()) return Eigen::VectorXd::Zero(field.size());
  return field / norm;
}

/// The part that changes its sign: half of the field less the turned field. Turning moves a
/// displacement to the opposite point and reverses it.
Eigen::VectorXd odd_part(const Eigen::VectorXd& field, const HalfTurn& turn) {
  Eigen::VectorXd result(field.size());
  for (Eigen::Index site = 0; 2 * site < field.size(); ++site) {
    result.segment<2>(2 * site) =
        0.5 *
        (field.segment<2>(2 * site) + field.segment<2>(2 * turn.opposite(static_cast<int>(site))));
  }
  return result;
}

/// Signs that make the rows agree: a maximum of |sum s_i row_i|^2.
Eigen::VectorXd agreeing_signs(const Eigen::MatrixXd& rows) {
  const auto sign = [](double value) { return value < 0.0 ? -1.0 : 1.0; };
  Eigen::VectorXd signs = Eigen::VectorXd::LinSpaced(rows.rows(), 1.0, 1.1);
  for (int step = 0; step < kPowerSteps; ++step) {
    signs = rows * (rows.transpose() * signs);
    const double norm = signs.norm();
    if (!(norm > 0.0)) return Eigen::VectorXd::Ones(rows.rows());
    signs /= norm;
  }
  signs = signs.unaryExpr(sign);
  Eigen::VectorXd sum = rows.transpose() * signs;
  for (int sweep = 0; sweep < kMostSweeps; ++sweep) {
    bool changed = false;
    for (Eigen::Index i = 0; i < rows.rows(); ++i) {
      const double others = rows.row(i).dot(sum) - signs(i) * rows.row(i).squaredNorm();
      if (signs(i) * others >= 0.0) continue;
      sum -= 2.0 * signs(i) * rows.row(i).transpose();
      signs(i) = -signs(i);
      changed = true;
    }
    if (!changed) break;
  }
  return signs;
}

}  // namespace

HalfTurn::HalfTurn(const ChartSites& sites) : sites_(&sites) {
  if (sites.size() == 0) return;
  Eigen::Vector3d least = sites.nominal_mm.front();
  Eigen::Vector3d most = least;
  for (const Eigen::Vector3d& p : sites.nominal_mm) {
    least = least.cwiseMin(p);
    most = most.cwiseMax(p);
  }
  sum_mm_ = least + most;
  sum_mm_.z() = 0.0;
  const double cell = 1e-5 * sites.scale_mm;
  const auto key = [&](const Point2d& p) {
    return std::pair{std::llround(p.x() / cell), std::llround(p.y() / cell)};
  };
  std::map<std::pair<long long, long long>, int> places;
  for (std::size_t i = 0; i < sites.size(); ++i) {
    places[key(sites.nominal_mm[i].head<2>())] = static_cast<int>(i);
  }
  std::vector<int> opposite;
  for (const Eigen::Vector3d& p : sites.nominal_mm) {
    const auto found = places.find(key(sum_mm_.head<2>() - p.head<2>()));
    if (found == places.end()) return;
    opposite.push_back(found->second);
  }
  opposite_ = std::move(opposite);
}

void HalfTurn::apply(ViewPoints& view) const {
  for (int& site : view.site) site = opposite(site);
  set_positions(sites_->nominal_mm, view);
}

Pose HalfTurn::apply(const Pose& camera_from_chart) const {
  const Eigen::Vector3d reverse(-1.0, -1.0, 1.0);
  return {
      .rotation = camera_from_chart.rotation * reverse.asDiagonal(),
      .translation_mm = camera_from_chart.rotation * sum_mm_ + camera_from_chart.translation_mm};
}

std::vector<char> find_half_turns(const ChartProblemSet& set,
                                  const HalfTurn& turn,
                                  const Adjusted& state) {
  if (!turn.possible() || !print_untestable(set).empty()) return {};
  const ChartSolution start{.terms = {},
                            .values = ChartModel(set.sites, {}).zero(),
                            .state = state,
                            .information = std::nullopt};
  // A bend of degree 2 looks the same upside down: it can be fitted first, and is then no
  // displacement that depends on the view.
  const ChartTerms bend{.ratio = true, .bend_degree = 2};
  const std::optional<ChartSolution> bent = solve_chart(set, bend, start);
  if (!bent) return {};
  const ChartModel model(set.sites, bend);
  const std::vector<Eigen::Vector3d> positions = model.positions(bent->values);
  const auto num_views = static_cast<Eigen::Index>(set.views.size());
  const auto num_values = 2 * static_cast<Eigen::Index>(set.sites.size());
  Eigen::MatrixXd odd(num_views, num_values);
  for (Eigen::Index v = 0; v < num_views; ++v) {
    ViewPoints view = *set.views[static_cast<std::size_t>(v)];
    set_positions(positions, view);
    const Eigen::VectorXd field = displacements(set.kernel,
                                                view,
                                                bent->state,
                                                bent->state.poses[static_cast<std::size_t>(v)],
                                                turn,
                                                set.sites.size());
    odd.row(v) = odd_part(field, turn).transpose();
  }
  Eigen::VectorXd signs = agreeing_signs(odd);
  if (signs.sum() < 0.0) signs = -signs;
  if (signs.minCoeff() > 0.0) return {};

  std::vector<char> turned(set.views.size(), 0);
  std::vector<ViewPoints> copies;
  ChartSolution other = *bent;
  std::size_t residuals = 0;
  for (std::size_t v = 0; v < set.views.size(); ++v) {
    copies.push_back(*set.views[v]);
    residuals += 2 * copies.back().size();
    if (signs(static_cast<Eigen::Index>(v)) > 0.0) continue;
    turned[v] = 1;
    turn.apply(copies.back());
    other.state.poses[v] = turn.apply(other.state.poses[v]);
  }
  std::vector<const ViewPoints*> views;
  views.reserve(copies.size());
  for (const ViewPoints& copy : copies) views.push_back(&copy);
  ChartProblemSet turned_set{.kernel = set.kernel,
                             .views = views,
                             .sites = set.sites,
                             .num_fixed = set.num_fixed,
                             .threads = set.threads};
  const ChartTerms print{.bend_degree = 2, .print = true};
  const auto as_read = solve_chart(set, print, *bent);
  const auto as_turned = solve_chart(turned_set, print, other);
  if (!as_read || !as_turned || !(as_turned->sum_of_squares > 0.0)) return {};
  const double gain = static_cast<double>(residuals) *
                      std::log(as_read->sum_of_squares / as_turned->sum_of_squares);
  const double by_chance = kNoiseGain * std::sqrt(static_cast<double>(num_views) * 0.5 *
                                                  static_cast<double>(num_values));
  if (!(gain > kTurnEvidence * by_chance)) return {};
  return turned;
}

}  // namespace trueplate::fit::detail
