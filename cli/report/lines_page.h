#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/base/result.h"
#include "calib/calibrate/lens_from_lines.h"
#include "calib/footage/frame_set.h"

namespace trueplate::cli {

/// The data of the page of a lens from straight edges (docs/report.md), for html_page(): that of
/// its profile, with the lines in the place of chart points. `frames` is null where the lines came
/// from a file. Errors: those of calibration_page().
Result<nlohmann::json> lines_page(const LensFromLines& result,
                                  const plate::LineSet& lines,
                                  const footage::FrameSet* frames,
                                  const std::string& date,
                                  int threads);

}  // namespace trueplate::cli
