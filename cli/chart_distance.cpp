#include "cli/chart_distance.h"

#include <fmt/format.h>

#include <algorithm>
#include <string_view>

#include "calib/base/text.h"
#include "calib/fit/fit.h"

namespace trueplate::cli {
namespace {

Result<double> positive_mm(std::string_view option, const std::string& text) {
  const Result<double> mm = parse_length_mm(text);
  if (!mm) {
    return fail(ErrorCode::kInvalidInput, fmt::format("{}: {}", option, mm.error().message));
  }
  if (!(*mm > 0.0)) {
    return fail(ErrorCode::kInvalidInput, fmt::format("{}: '{}' is not above 0", option, text));
  }
  return *mm;
}

}  // namespace

Result<std::optional<fit::Measured>> parse_chart_distance(const std::string& distance,
                                                          const std::string& sigma) {
  std::optional<fit::Measured> result;
  if (distance.empty()) {
    if (sigma.empty()) return result;
    return fail(ErrorCode::kInvalidInput,
                "--chart-distance-sigma: of which distance; add --chart-distance, such as "
                "--chart-distance 2.5m");
  }
  const Result<double> mm = positive_mm("--chart-distance", distance);
  if (!mm) return fail(mm.error());
  result = {*mm, std::max(fit::kChartDistanceShare * *mm, fit::kLeastChartDistanceSigmaMm)};
  if (!sigma.empty()) {
    const Result<double> sigma_mm = positive_mm("--chart-distance-sigma", sigma);
    if (!sigma_mm) return fail(sigma_mm.error());
    result->sigma = *sigma_mm;
  }
  return result;
}

}  // namespace trueplate::cli
