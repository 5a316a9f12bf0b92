#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/csv.h"
#include "calib/calibrate.h"
#include "calib/fit/chart_fit.h"
#include "calib/profile/profile.h"
#include "calib/target/chart.h"

namespace trueplate::detail {

/// What is kept with observations beside the corners, as comments of their file. Files from
/// elsewhere may use the same words differently: what makes no sense is passed over.
[[nodiscard]] std::vector<CsvComment> notes_of(const std::vector<DetectedFrame>& frames,
                                               const target::Chart& chart);

/// nullopt where the kind of chart is not noted.
[[nodiscard]] std::optional<profile::ChartUsed> chart_noted(const std::vector<CsvComment>& notes);
[[nodiscard]] fit::ChartIdentity identity_noted(const std::vector<CsvComment>& notes);
/// 1 where there is none.
[[nodiscard]] double pixel_aspect_noted(const std::vector<CsvComment>& notes);
/// Content hashes (SHA-256) by the frame's name.
[[nodiscard]] std::map<std::string, std::string> hashes_noted(const std::vector<CsvComment>& notes);

}  // namespace trueplate::detail
