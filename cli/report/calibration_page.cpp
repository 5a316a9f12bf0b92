#include "cli/report/calibration_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>
#include <vector>

#include "cli/report/distortion_sections.h"
#include "cli/report/fit_sections.h"
#include "cli/report/lens_sections.h"
#include "cli/report/parts.h"
#include "cli/report/picture_section.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

std::string eyebrow_of(const CalibrationPage& page) {
  const std::size_t count = page.profile->stations.size();
  return count == 1 ? std::string("Lens calibration")
                    : fmt::format("Lens calibration, station {} of {}", page.station + 1, count);
}

json warnings_of(const CalibrationPage& page, const profile::Station& station) {
  std::vector<Warning> warnings = page.warnings;
  warnings.insert(warnings.end(), station.warnings.begin(), station.warnings.end());
  return warnings_part(warnings);
}

/// The station's, unless the observations that the page shows speak of another lens.
json verdict_for(const CalibrationPage& page, const profile::Station& station) {
  json verdict = verdict_of(station);
  const auto found =
      std::find_if(page.warnings.begin(), page.warnings.end(), [](const Warning& warning) {
        return warning.code == "other-observations";
      });
  if (found == page.warnings.end()) return verdict;
  verdict["level"] = "doubt";
  verdict["headline"] =
      found->value > 0.0
          ? fmt::format("These observations are not this lens's: {} apart", px_text(found->value))
          : std::string("These observations are not this lens's");
  json lines =
      json::array({"Residuals, coverage and the error map below are those of the observations; the "
                   "figures, the "
                   "straightened picture and the hand-off are the profile's. What the profile says "
                   "of itself:"});
  for (json& line : verdict["lines"]) {
    if (line != "No warnings.") lines.push_back(std::move(line));
  }
  verdict["lines"] = std::move(lines);
  return verdict;
}

/// The picture, or the chart's lines alone, or nothing.
Result<json> before_and_after(const CalibrationPage& page, const lens::Lens& lens) {
  if (page.frames != nullptr) {
    if (const auto* frame = telling_frame(*page.frames, *page.profile, page.views)) {
      return picture_section(lens, *frame, page.views, page.threads);
    }
  }
  return rows_section(lens, page.views);
}

}  // namespace

Result<json> calibration_page(const CalibrationPage& page) {
  const profile::Station& station = page.profile->stations[page.station];
  const lens::Lens& lens = station.lens;
  const json frames = frames_json(*page.profile, page.views, page.fit);
  const Reach reach = reach_of(station, page.views, page.fit);
  Result<json> pictures = before_and_after(page, lens);
  if (!pictures) return pictures;
  return page_json({.page = "calibration",
                    .title = title_of(*page.profile),
                    .eyebrow = eyebrow_of(page),
                    .date = page.date,
                    .plate = plate_json(lens),
                    .verdict = verdict_for(page, station),
                    .figures = key_figures(station),
                    .warnings = warnings_of(page, station),
                    .frames = frames,
                    .sections = {std::move(*pictures),
                                 vectors_section(lens, frames),
                                 coverage_section(lens, frames),
                                 error_section(station, reach, page.fit, page.threads),
                                 curve_section(lens, reach),
                                 grid_section(lens, reach),
                                 models_section(page.trials, page.no_trials),
                                 parameters_section(station),
                                 handoff_section(*page.profile, station, page.threads),
                                 frames.empty() ? json() : frames_section(frames),
                                 provenance_section(*page.profile, station)}});
}

}  // namespace trueplate::cli
