#include "cli/report/calibration_page.h"

#include <fmt/format.h>

#include <utility>

#include "calib/base/utf8.h"
#include "cli/command.h"
#include "cli/report/fit_sections.h"
#include "cli/report/lens_sections.h"
#include "cli/report/picture_section.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

std::string eyebrow_of(const CalibrationPage& page) {
  const std::size_t count = page.profile->stations.size();
  return count == 1 ? std::string("Lens calibration")
                    : fmt::format("Lens calibration, station {} of {}", page.station + 1, count);
}

json warnings_of(const CalibrationPage& page, const profile::Station& station) {
  json list = json::array();
  for (const std::vector<Warning>* warnings : {&page.warnings, &station.warnings}) {
    for (const Warning& warning : *warnings) {
      list.push_back(
          {{"code", printable(warning.code)}, {"message", printable(warning.message, 2000)}});
    }
  }
  return list;
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
  json sections = json::array();
  const auto add = [&](json section) {
    if (!section.is_null()) sections.push_back(std::move(section));
  };
  Result<json> pictures = before_and_after(page, lens);
  if (!pictures) return pictures;
  add(std::move(*pictures));
  add(vectors_section(lens, frames));
  add(coverage_section(lens, frames));
  add(error_section(station, page.fit, page.threads));
  add(curve_section(lens));
  add(grid_section(lens));
  add(models_section(page.trials));
  add(parameters_section(station));
  Result<json> handoff = handoff_section(*page.profile, station, page.threads);
  if (!handoff) return handoff;
  add(std::move(*handoff));
  if (!frames.empty()) add(frames_section(frames));
  add(provenance_section(*page.profile, station));
  return json{{"page", "calibration"},
              {"title", title_of(*page.profile)},
              {"eyebrow", eyebrow_of(page)},
              {"footer", fmt::format("trueplate {}, {}", kVersion, page.date)},
              {"plate", plate_json(lens)},
              {"verdict", verdict_of(station)},
              {"figures", key_figures(station)},
              {"warnings", warnings_of(page, station)},
              {"frames", frames},
              {"sections", sections}};
}

}  // namespace trueplate::cli
