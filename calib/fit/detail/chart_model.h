#pragma once

#include <Eigen/Core>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

/// The points of the print, numbered across all views.
struct ChartSites {
  std::vector<Eigen::Vector3d> nominal_mm;  // as described
  Point2d centre_mm = {0.0, 0.0};           // mean
  double scale_mm = 1.0;                    // largest distance from it along x or y

  [[nodiscard]] std::size_t size() const { return nominal_mm.size(); }
};

/// Numbers the points of all views by their chart position and writes the numbers into the views.
[[nodiscard]] ChartSites number_sites(const std::vector<ViewPoints*>& views);

/// Which departures of the chart from its description are fitted.
struct ChartTerms {
  bool ratio = false;   // y is stretched about the centre; without it where `print` is set
  int bend_degree = 0;  // 0, or 2 to 4: heights z(x, y), best plane removed
  bool print = false;   // x and y of every point, best similarity removed

  [[nodiscard]] bool any() const { return ratio || bend_degree > 0 || print; }
  friend bool operator==(const ChartTerms&, const ChartTerms&) = default;
};

/// The numbers of those departures.
struct ChartValues {
  Eigen::VectorXd shared;  // relative stretch, then mm for each height function
  Eigen::VectorXd print;   // x and y for each site in turn, mm; empty without ChartTerms::print
};

/// Where the points of a chart are, linear in its values:
///     p = nominal + basis(site) * shared + (print x, print y, 0)
/// The height functions are the monomials of degree 2 and up in x and y (relative to the centre and
/// scale), made orthogonal to 1, x, y and each other over the sites, of root mean square 1: a value
/// is a root mean square height in mm. Monomials that a narrow chart cannot tell from lower ones
/// are dropped.
class ChartModel {
 public:
  ChartModel(const ChartSites& sites, const ChartTerms& terms);

  [[nodiscard]] const ChartTerms& terms() const { return terms_; }
  [[nodiscard]] const ChartSites& sites() const { return *sites_; }
  [[nodiscard]] Eigen::Index num_shared() const { return (terms_.ratio ? 1 : 0) + heights_.cols(); }
  [[nodiscard]] Eigen::Index num_print() const {
    return terms_.print ? 2 * static_cast<Eigen::Index>(sites_->size()) : 0;
  }
  /// Values that the views can tell apart: those of the print are counted without the similarity.
  [[nodiscard]] Eigen::Index num_independent() const {
    return num_shared() + (terms_.print ? num_print() - kNumGauge : 0);
  }

  [[nodiscard]] ChartValues zero() const;
  /// Values of another model (fewer or more terms) for the same sites, as far as there are any.
  [[nodiscard]] ChartValues converted(const ChartModel& from, const ChartValues& values) const;

  /// 3 x num_shared.
  [[nodiscard]] Eigen::Matrix3Xd basis(std::size_t site) const;
  [[nodiscard]] std::vector<Eigen::Vector3d> positions(const ChartValues& values) const;
  /// Heights over the best plane, one per site, mm; and their derivative by the shared values.
  [[nodiscard]] const Eigen::MatrixXd& height_functions() const { return heights_; }

  /// Orthonormal displacements of the print that a pose and the overall size absorb, num_print x 4:
  /// shift in x and y, turn, growth.
  static constexpr Eigen::Index kNumGauge = 4;
  [[nodiscard]] Eigen::MatrixXd gauge() const;

 private:
  const ChartSites* sites_;
  ChartTerms terms_;
  Eigen::MatrixXd heights_;  // sites x functions
};

/// Moves the corners of a view to where the chart's points are.
void set_positions(const std::vector<Eigen::Vector3d>& positions, ViewPoints& view);

}  // namespace trueplate::fit::detail
