#include "calib/fit/detail/chart_model.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <map>

namespace trueplate::fit::detail {
namespace {

// Chart coordinates closer than this share of the chart's extent are the same point.
constexpr double kSameSite = 1e-6;
// A height function whose part outside the span of the simpler ones is smaller than this share of
// it cannot be told from them.
constexpr double kDependent = 1e-6;

Point2d relative(const ChartSites& sites, std::size_t site) {
  return (sites.nominal_mm[site].head<2>() - sites.centre_mm) / sites.scale_mm;
}

Eigen::MatrixXd monomials(const ChartSites& sites, int degree) {
  const auto count = static_cast<Eigen::Index>(sites.size());
  Eigen::MatrixXd all(count, 0);
  Eigen::Index num_plane = 0;
  for (int total = 0; total <= degree; ++total) {
    for (int power = 0; power <= total; ++power) {
      Eigen::VectorXd column(count);
      for (Eigen::Index i = 0; i < count; ++i) {
        const Point2d p = relative(sites, static_cast<std::size_t>(i));
        column(i) = std::pow(p.x(), total - power) * std::pow(p.y(), power);
      }
      const double before = column.norm();
      // Twice, against rounding.
      for (int round = 0; round < 2; ++round) column -= all * (all.transpose() * column);
      if (!(column.norm() > kDependent * before)) continue;
      all.conservativeResize(Eigen::NoChange, all.cols() + 1);
      all.rightCols<1>() = column.normalized();
      if (total < 2) num_plane = all.cols();
    }
  }
  return std::sqrt(static_cast<double>(count)) * all.rightCols(all.cols() - num_plane);
}

}  // namespace

ChartSites number_sites(const std::vector<ViewPoints*>& views) {
  ChartSites sites;
  double extent = 0.0;
  for (const ViewPoints* view : views) {
    for (const double value : view->chart_mm) extent = std::max(extent, std::abs(value));
  }
  const double cell = extent > 0.0 ? kSameSite * extent : 1.0;
  std::map<std::array<double, 3>, int> seen;
  for (ViewPoints* view : views) {
    view->site.clear();
    for (std::size_t i = 0; i < view->size(); ++i) {
      const Eigen::Map<const Eigen::Vector3d> p(&view->chart_mm[3 * i]);
      const Eigen::Vector3d key = (p / cell).array().round();
      const auto [found, fresh] =
          seen.try_emplace({key.x(), key.y(), key.z()}, static_cast<int>(sites.size()));
      if (fresh) sites.nominal_mm.emplace_back(p);
      view->site.push_back(found->second);
    }
  }
  if (sites.nominal_mm.empty()) return sites;
  for (const Eigen::Vector3d& p : sites.nominal_mm) sites.centre_mm += p.head<2>();
  sites.centre_mm /= static_cast<double>(sites.size());
  sites.scale_mm = 0.0;
  for (const Eigen::Vector3d& p : sites.nominal_mm) {
    sites.scale_mm =
        std::max(sites.scale_mm, (p.head<2>() - sites.centre_mm).cwiseAbs().maxCoeff());
  }
  if (!(sites.scale_mm > 0.0)) sites.scale_mm = 1.0;
  return sites;
}

ChartModel::ChartModel(const ChartSites& sites, const ChartTerms& terms)
    : sites_(&sites), terms_(terms) {
  if (terms_.print) terms_.ratio = false;
  heights_ = terms_.bend_degree >= 2 ? monomials(sites, terms_.bend_degree)
                                     : Eigen::MatrixXd(static_cast<Eigen::Index>(sites.size()), 0);
}

ChartValues ChartModel::zero() const {
  return {.shared = Eigen::VectorXd::Zero(num_shared()),
          .print = Eigen::VectorXd::Zero(num_print())};
}

ChartValues ChartModel::converted(const ChartModel& from, const ChartValues& values) const {
  ChartValues result = zero();
  const Eigen::Index first = terms_.ratio ? 1 : 0;
  const Eigen::Index from_first = from.terms_.ratio ? 1 : 0;
  // The height functions of a lower degree are the first ones of a higher.
  const Eigen::Index common = std::min(heights_.cols(), from.heights_.cols());
  result.shared.segment(first, common) = values.shared.segment(from_first, common);
  if (terms_.ratio && from.terms_.ratio) result.shared(0) = values.shared(0);
  if (!terms_.print) return result;
  if (from.terms_.print) {
    result.print = values.print;
  } else if (from.terms_.ratio) {
    for (std::size_t i = 0; i < sites_->size(); ++i) {
      result.print(2 * static_cast<Eigen::Index>(i) + 1) =
          values.shared(0) * (sites_->nominal_mm[i].y() - sites_->centre_mm.y());
    }
    const Eigen::MatrixXd c = gauge();
    result.print -= c * (c.transpose() * result.print);
  }
  return result;
}

Eigen::Matrix3Xd ChartModel::basis(std::size_t site) const {
  Eigen::Matrix3Xd result = Eigen::Matrix3Xd::Zero(3, num_shared());
  if (terms_.ratio) result(1, 0) = sites_->nominal_mm[site].y() - sites_->centre_mm.y();
  // A row of a matrix without columns would be an offset from a null pointer.
  if (heights_.cols() > 0) {
    result.row(2).tail(heights_.cols()) = heights_.row(static_cast<Eigen::Index>(site));
  }
  return result;
}

std::vector<Eigen::Vector3d> ChartModel::positions(const ChartValues& values) const {
  std::vector<Eigen::Vector3d> result = sites_->nominal_mm;
  for (std::size_t i = 0; i < result.size(); ++i) {
    if (num_shared() > 0) result[i] += basis(i) * values.shared;
    if (terms_.print) {
      result[i].head<2>() += values.print.segment<2>(2 * static_cast<Eigen::Index>(i));
    }
  }
  return result;
}

Eigen::MatrixXd ChartModel::gauge() const {
  Eigen::MatrixXd modes = Eigen::MatrixXd::Zero(num_print(), terms_.print ? kNumGauge : 0);
  if (!terms_.print) return modes;
  for (std::size_t i = 0; i < sites_->size(); ++i) {
    const Eigen::Index row = 2 * static_cast<Eigen::Index>(i);
    const Point2d p = relative(*sites_, i);
    modes.block<2, 4>(row, 0) << 1.0, 0.0, -p.y(), p.x(),  //
        0.0, 1.0, p.x(), p.y();
  }
  // Centred coordinates: the four are orthogonal already.
  modes.colwise().normalize();
  return modes;
}

void set_positions(const std::vector<Eigen::Vector3d>& positions, ViewPoints& view) {
  for (std::size_t i = 0; i < view.site.size(); ++i) {
    const Eigen::Vector3d& p = positions[static_cast<std::size_t>(view.site[i])];
    std::copy(p.begin(), p.end(), &view.chart_mm[3 * i]);
  }
}

}  // namespace trueplate::fit::detail
