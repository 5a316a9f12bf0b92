#include "calib/zoom/detail/common_model.h"

#include <algorithm>
#include <set>
#include <utility>

namespace trueplate::zoom::detail {
namespace {

using Eigen::Index;

Eigen::VectorXd coefficients_of(const lens::Model& model) {
  const auto values = lens::parameters(model);
  return Eigen::Map<const Eigen::VectorXd>(values.data(), static_cast<Index>(values.size()));
}

std::optional<CommonModel> in_model_of(const std::vector<lens::Lens>& lenses,
                                       const PlateField& field,
                                       const Eigen::MatrixXd& numbers,
                                       std::size_t chosen) {
  const lens::Model& model = lenses[chosen].model;
  CommonModel common;
  common.name = lens::model_name(model);
  common.coefficients.resize(coefficients_of(model).size(), numbers.cols());
  for (std::size_t i = 0; i < lenses.size(); ++i) {
    const auto column = static_cast<Index>(i);
    if (lenses[i].model.index() == model.index()) {
      common.coefficients.col(column) = coefficients_of(lenses[i].model);
      continue;
    }
    const std::optional<Refit> refit = refit_to(field, numbers.col(column), model);
    if (!refit) return std::nullopt;
    common.coefficients.col(column) = coefficients_of(refit->model);
    common.worst_px = std::max(common.worst_px, refit->max_px);
  }
  return common;
}

}  // namespace

std::optional<Refit> refit_to(const PlateField& field,
                              const Eigen::VectorXd& numbers,
                              const lens::Model& start) {
  const Point2d focal = field.focal_px(numbers);
  const Eigen::Matrix2Xd plate =
      (field.nodes_px().colwise() - field.principal_point_px(numbers)).array().colwise() /
      focal.array();
  return refit(start, field.ideal(numbers), plate, focal);
}

std::optional<CommonModel> common_model(const std::vector<lens::Lens>& lenses,
                                        const PlateField& field,
                                        const Eigen::MatrixXd& numbers) {
  std::optional<CommonModel> best;
  std::set<std::size_t> tried;
  for (std::size_t i = 0; i < lenses.size(); ++i) {
    if (!tried.insert(lenses[i].model.index()).second) continue;
    std::optional<CommonModel> common = in_model_of(lenses, field, numbers, i);
    if (common && (!best || common->worst_px < best->worst_px)) best = std::move(common);
  }
  return best;
}

}  // namespace trueplate::zoom::detail
