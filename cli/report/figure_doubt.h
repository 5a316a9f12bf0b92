#pragma once

#include <functional>
#include <optional>
#include <string>

#include "calib/profile/profile.h"

namespace trueplate::cli {

/// One standard deviation of a figure of the lens, from the covariance of its parameters: the
/// square root of g^T C g, with the gradient g by central differences of one standard deviation.
/// nullopt where the profile has no covariance, or a lens beside this one has no such figure.
[[nodiscard]] std::optional<double> sigma_of(
    const profile::Station& station,
    const std::function<std::optional<double>(const lens::Lens&)>& figure);

/// `-4.881 +- 0.002`: a figure to the second digit of its standard deviation, with a sign where
/// `is_signed`; without one, or with one that rounds away, the figure with `decimals`, which are
/// the most that are shown.
[[nodiscard]] std::string doubted_text(double value,
                                       const std::optional<double>& sigma,
                                       int decimals,
                                       bool is_signed);

/// The predicted error at the worst place where it is above what counts as measured; else 0.
[[nodiscard]] double guessed_px(const profile::Station& station);

}  // namespace trueplate::cli
