#pragma once

#include <nlohmann/json.hpp>
#include <span>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/fit/fit.h"
#include "calib/fit/model_choice.h"
#include "calib/footage/frame_set.h"
#include "calib/profile/profile.h"
#include "calib/target/view.h"

namespace trueplate::cli {

/// What the page of one station is made from; all but the profile may be missing. Pointers are not
/// owned.
struct CalibrationPage {
  const profile::Profile* profile = nullptr;
  std::size_t station = 0;
  std::span<const target::View> views = {};      // what was seen in the frames
  const fit::LensFit* fit = nullptr;             // to the views, of the station's lens
  std::span<const fit::ModelTrial> trials = {};  // the models that were tried
  std::string no_trials = {};                    // where there are none: why, in a sentence
  const footage::FrameSet* frames = nullptr;     // of which one is shown
  std::vector<Warning> warnings = {};            // beside those of the station
  std::string date;                              // of the page
  int threads = 0;
};

/// The data of the page (docs/report.md), for html_page(). Errors: a frame that cannot be shown.
Result<nlohmann::json> calibration_page(const CalibrationPage& page);

}  // namespace trueplate::cli
