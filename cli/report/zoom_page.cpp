#include "cli/report/zoom_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/profile/verdict.h"
#include "calib/zoom/zoom_lens.h"
#include "cli/report/lens_sections.h"
#include "cli/report/parts.h"
#include "cli/report/zoom_sections.h"
#include "cli/report/zoom_states.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

/// What is known of the lens between its stations, px.
struct Between {
  double sigma_rms_px = 0.0;  // the largest of all states
  double sigma_max_px = 0.0;  // at the worst place of the worst state
  std::string worst_state;
  std::optional<double> station_px;       // the largest miss, rms, of a station left out
  std::optional<double> focal_length_px;  // of a station left out with its whole focal length
};

Between between_of(const profile::Profile& profile, const ZoomStates& states) {
  Between between;
  for (int row = 0; row < states.dioptres.count; ++row) {
    for (int column = 0; column < states.focal.count; ++column) {
      const auto& at = states.at(column, row);
      if (!at) continue;
      between.sigma_rms_px = std::max(between.sigma_rms_px, at->sigma.rms_px);
      if (!(at->sigma.max_px > between.sigma_max_px)) continue;
      between.sigma_max_px = at->sigma.max_px;
      between.worst_state = fmt::format("{:.3g} mm", states.focal_mm(column));
      if (states.has_focus) between.worst_state += " at " + focus_text(states.focus_m(row));
    }
  }
  const auto take = [](std::optional<double>& worst, const auto& left_out) {
    if (left_out) worst = std::max(worst.value_or(0.0), left_out->rms_px);
  };
  for (const profile::Station& station : profile.stations) {
    take(between.station_px, station.without_station);
    take(between.focal_length_px, station.without_focal_length);
  }
  return between;
}

struct Level {
  std::string_view name;
  std::string headline;
  std::string_view words;
};

/// By what is known between the stations; nullopt where that is as good as the stations are.
std::optional<Level> level_between(const Between& between) {
  const double station_px = between.station_px.value_or(0.0);
  if (station_px > profile::kUsableRmsPx) {
    return Level{"doubt",
                 fmt::format("Doubtful between its stations: one left out is missed by {} rms",
                             px_text(station_px)),
                 ""};
  }
  if (between.sigma_rms_px > profile::kUsableRmsPx ||
      between.sigma_max_px > profile::kWorstPlacePx) {
    return Level{"doubt",
                 fmt::format("Doubtful between its stations: {} at the worst place, at {}",
                             px_text(between.sigma_max_px),
                             between.worst_state),
                 ""};
  }
  if (between.sigma_max_px > profile::kUncertainMapPx) {
    return Level{"care",
                 fmt::format("Guessed between its stations, to {} at the worst place ({})",
                             px_text(between.sigma_max_px),
                             between.worst_state),
                 ""};
  }
  const double worst_px = std::max(station_px, between.focal_length_px.value_or(0.0));
  if (worst_px > profile::kGoodRmsPx) {
    return Level{"care",
                 fmt::format("Guessed between its stations: what is left out is missed by {} rms",
                             px_text(worst_px)),
                 ""};
  }
  return std::nullopt;
}

json verdict_of(const profile::Profile& profile, const Between& between) {
  std::map<std::string, int> counts;  // of stations, by level
  for (const profile::Station& station : profile.stations) {
    ++counts[cli::verdict_of(station)["level"].get<std::string>()];
  }
  // The worst first.
  const Level levels[] = {{"doubt", "Some stations are doubtful", "doubtful"},
                          {"open", "Not judged", "without a word on how good they are"},
                          {"care", "Usable, some stations with care", "to be used with care"},
                          {"good", "Good", "good, without a warning"}};
  std::optional<Level> worst;
  json lines = json::array();
  for (const Level& level : levels) {
    const int count = counts[std::string(level.name)];
    if (count == 0) continue;
    if (!worst) worst = level;
    lines.push_back(
        fmt::format("{} of {} stations: {}.", count, profile.stations.size(), level.words));
  }
  if (between.sigma_max_px > 0.0) {
    lines.push_back(
        fmt::format("Between stations the predicted error is up to {} ({} rms), most at {}.",
                    px_text(between.sigma_max_px),
                    px_text(between.sigma_rms_px),
                    between.worst_state));
  }
  if (between.station_px) {
    lines.push_back(fmt::format("Told by the others, a station is missed by {} rms at most.",
                                px_text(*between.station_px)));
  }
  if (between.focal_length_px) {
    lines.push_back(
        fmt::format("Told by other focal lengths alone, by {} rms at most: what a gap of twice the "
                    "width would cost.",
                    px_text(*between.focal_length_px)));
  }
  if (const auto level = level_between(between); level && worst->name != "doubt") worst = level;
  return {{"level", worst->name}, {"headline", worst->headline}, {"lines", lines}};
}

json figures_of(const profile::Profile& profile,
                const zoom::ZoomLens& lens,
                const Between& between) {
  Figures figures;
  const zoom::ZoomLens::Reach& reach = lens.reach();
  figures.add("stations", fmt::format("{}", profile.stations.size()), "calibrated");
  figures.add("focal length",
              reach.most_focal_mm > reach.least_focal_mm
                  ? fmt::format("{:.3g} to {:.3g} mm", reach.least_focal_mm, reach.most_focal_mm)
                  : fmt::format("{:.3g} mm", reach.least_focal_mm),
              "nominal");
  if (reach.nearest_m) {
    figures.add("focus",
                unbroken(fmt::format(
                    "{} to {}", focus_text(*reach.nearest_m), focus_text(*reach.farthest_m))),
                "");
  }
  double residuals = 0.0;
  double predicted = 0.0;
  for (const profile::Station& station : profile.stations) {
    if (!station.quality) continue;
    residuals = std::max(residuals, station.quality->rms_px);
    predicted = std::max(predicted, station.quality->map_sigma_max_px.value_or(0.0));
  }
  if (residuals > 0.0) figures.add("residuals", px_text(residuals), "rms per point, worst station");
  if (between.sigma_max_px > 0.0) {
    figures.add("predicted error",
                px_text(between.sigma_max_px),
                fmt::format("worst place of the worst state, {}; {} at the stations",
                            unbroken(between.worst_state),
                            px_text(predicted)));
  } else if (predicted > 0.0) {
    figures.add("predicted error", px_text(predicted), "worst place of the worst station");
  }
  if (between.station_px) {
    figures.add("left out",
                px_text(*between.station_px),
                between.focal_length_px
                    ? fmt::format("rms by which the others miss a station, at most; {} those of "
                                  "other focal lengths",
                                  px_text(*between.focal_length_px))
                    : std::string("rms by which the others miss a station, at most"));
  } else if (between.focal_length_px) {
    figures.add("left out",
                px_text(*between.focal_length_px),
                "rms by which other focal lengths miss a station, at most");
  }
  return figures.json();
}

/// Those of all stations, each with where it stands.
json warnings_of(const profile::Profile& profile) {
  std::vector<Warning> warnings;
  for (const profile::Station& station : profile.stations) {
    for (Warning warning : station.warnings) {
      warning.message = fmt::format("{}: {}", state_text(station), warning.message);
      warnings.push_back(std::move(warning));
    }
  }
  return warnings_part(warnings);
}

}  // namespace

Result<json> zoom_page(const profile::Profile& profile, const std::string& date) {
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(profile.stations);
  if (!lens) return fail(lens.error());
  const ZoomStates states = states_of(profile, *lens);
  const Between between = between_of(profile, states);
  return page_json({.page = "zoom",
                    .title = title_of(profile),
                    .eyebrow = "Lens with several stations",
                    .date = date,
                    .plate = plate_json(profile.stations.front().lens),
                    .verdict = verdict_of(profile, between),
                    .figures = figures_of(profile, *lens, between),
                    .warnings = warnings_of(profile),
                    .sections = {surface_section(profile, states),
                                 distortion_section(profile, states),
                                 breathing_section(profile, *lens),
                                 stations_section(profile),
                                 provenance_section(
                                     profile,
                                     profile.stations.front(),
                                     fmt::format("{} stations, above", profile.stations.size()))}});
}

}  // namespace trueplate::cli
