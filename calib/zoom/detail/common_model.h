#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "calib/lens/lens.h"
#include "calib/lens/model.h"
#include "calib/zoom/detail/plate_field.h"
#include "calib/zoom/detail/refit.h"

namespace trueplate::zoom::detail {

/// The coefficients with which a model images the field of `numbers` (PlateField::numbers_of()),
/// looked for from `start`. nullopt where none does without folding.
[[nodiscard]] std::optional<Refit> refit_to(const PlateField& field,
                                            const Eigen::VectorXd& numbers,
                                            const lens::Model& start);

/// Every station in coefficients of one model, and how well that goes.
struct CommonModel {
  std::string name;
  Eigen::MatrixXd coefficients;  // a station a column
  double worst_px = 0.0;         // largest distance from the field of a station
};

/// Of the models that the stations have, the one that holds all of them best; `numbers` holds a
/// station a column. nullopt where none holds them.
[[nodiscard]] std::optional<CommonModel> common_model(const std::vector<lens::Lens>& lenses,
                                                      const PlateField& field,
                                                      const Eigen::MatrixXd& numbers);

}  // namespace trueplate::zoom::detail
