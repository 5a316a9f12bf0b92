#include "cli/convert_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/sha256.h"
#include "calib/calibrate/lens_from_field.h"
#include "cli/version.h"
#include "warp/map_doubt.h"
#include "warp/map_origin.h"
#include "warp/st_map.h"

namespace trueplate::cli {
namespace {

/// Where the pixels of a map lie on the plate and in the straight picture: about `count` of them,
/// evenly spread, those whose place on the plate lies inside it.
std::vector<fit::FieldPoint> places_of(const warp::StMap& map, int count) {
  const bool undistort = map.direction == warp::MapDirection::kUndistort;
  const ImageSize plate = undistort ? map.source_display.size() : map.output.display.size();
  const double area = static_cast<double>(map.st.width()) * map.st.height();
  const int step = std::max(1, static_cast<int>(std::sqrt(area / count)));
  std::vector<fit::FieldPoint> places;
  // From the middle of the rest, so that both edges are as near.
  for (int y = (map.st.height() - 1) % step / 2; y < map.st.height(); y += step) {
    for (int x = (map.st.width() - 1) % step / 2; x < map.st.width(); x += step) {
      const Point2d here(x + map.output.data.x - map.output.display.x + 0.5,
                         y + map.output.data.y - map.output.display.y + 0.5);
      const Point2d there = warp::position_from_st(
          Point2d(map.st.at(x, y, 0), map.st.at(x, y, 1)), map.source_display.size(), map.t_origin);
      if (!there.allFinite()) continue;
      const fit::FieldPoint place =
          undistort ? fit::FieldPoint{here, there} : fit::FieldPoint{there, here};
      const Point2d& p = place.plate_px;
      if (p.x() < 0.0 || p.y() < 0.0 || p.x() > plate.width || p.y() > plate.height) continue;
      places.push_back(place);
    }
  }
  return places;
}

/// What its storage has rounded a map by, as far as that matters; pixels, rms.
double rounding_px(const warp::StMapFile& file) {
  const bool is_half =
      std::any_of(file.warnings.begin(), file.warnings.end(), [](const Warning& warning) {
        return warning.code == "half-map";
      });
  return is_half ? warp::half_rounding_px(file.map) : 0.0;
}

Result<LensFromFieldOptions> fit_options(const MapConversion& options,
                                         const warp::StMapFile& file) {
  const warp::StMap& map = file.map;
  const Result<LensLengths> lengths = lengths_of(options.lens);
  if (!lengths) return fail(lengths.error());
  const Window& plate =
      map.direction == warp::MapDirection::kUndistort ? map.source_display : map.output.display;
  return LensFromFieldOptions{
      .model = options.model,
      .plate_size = plate.size(),
      .labels = options.lens.labels,
      .film_back = lengths->film_back,
      .noise_px = rounding_px(file),
      .pixel_aspect = options.lens.pixel_aspect,
      .squeeze = options.lens.squeeze,
      .nominal_focal_mm = lengths->focal_mm,
      .focus_m = lengths->focus_m,
      .t_stop = options.lens.t_stop,
      .origin =
          fmt::format("the ST-map {}", std::filesystem::path(options.input).filename().string()),
      .program_version = std::string(kVersion)};
}

/// Why a map is not that of a lens; nullopt when nothing speaks against it.
std::optional<std::string> no_lens(const warp::StMapFile& file) {
  for (const Warning& warning : file.warnings) {
    for (const char* code : {"no-source", "no-positions", "not-normalised", "origin-doubt"}) {
      if (warning.code == code) return warning.message;
    }
  }
  using warp::Along;
  using warp::StChannel;
  const Image<float>& st = file.map.st;
  const auto s = warp::steady_change(st, StChannel::kS, Along::kRow);
  if (s && !s->grows) {
    return fmt::format(
        "s falls from left to right in {:.4g} % of the map: it mirrors the picture, "
        "which no lens does",
        100.0 * s->share);
  }
  if (!s && warp::steady_change(st, StChannel::kT, Along::kRow) &&
      warp::steady_change(st, StChannel::kS, Along::kColumn)) {
    return "t grows or falls along its rows and s along its columns: it turns the picture on its "
           "side, which no lens does";
  }
  return std::nullopt;
}

nlohmann::json trials_json(const std::vector<fit::FieldTrial>& trials) {
  const auto number = [](double value) {
    return std::isfinite(value) ? nlohmann::json(value) : nlohmann::json(nullptr);
  };
  nlohmann::json list = nlohmann::json::array();
  for (const fit::FieldTrial& trial : trials) {
    list.push_back({{"model", trial.model},
                    {"rms_px", number(trial.rms_px)},
                    {"max_px", number(trial.max_px)},
                    {"chosen", trial.chosen},
                    {"reason", trial.reason}});
  }
  return list;
}

std::string trials_text(const std::vector<fit::FieldTrial>& trials) {
  std::string text = fmt::format("{:<20}{:>12}{:>12}\n", "model", "rms px", "worst px");
  for (const fit::FieldTrial& trial : trials) {
    if (std::isnan(trial.rms_px)) continue;
    text += std::isfinite(trial.rms_px)
                ? fmt::format("{:<20}{:>12.4f}{:>12.4f}{}\n",
                              trial.model,
                              trial.rms_px,
                              trial.max_px,
                              trial.chosen ? "  taken" : "")
                : fmt::format("{:<20}{:>12}{:>12}  {}\n", trial.model, "-", "-", trial.reason);
  }
  return text;
}

}  // namespace

int run_map(const MapConversion& options, const CommonOptions& common) {
  // Enough for every coefficient of any model, and for a look between them.
  constexpr int kPlaces = 3000;
  const Result<warp::StMapAssumptions> assumptions = map_assumptions(options.map);
  if (!assumptions) return report_usage(assumptions.error());
  if (Result<void> free = check_outputs({options.output}, {options.input}, common); !free) {
    return report_failure(free.error());
  }
  const Result<warp::StMapFile> file =
      warp::read_st_map(options.input, *assumptions, common.threads);
  if (!file) return report_failure(file.error());
  if (const std::optional<std::string> reason = no_lens(*file)) {
    return report_failure({ErrorCode::kUnsupported,
                           fmt::format("{}: not the map of a lens: {}", options.input, *reason)});
  }
  const Result<LensFromFieldOptions> wanted = fit_options(options, *file);
  if (!wanted) return report_usage(wanted.error());
  const std::vector<fit::FieldPoint> places = places_of(file->map, kPlaces);
  Result<LensFromField> lens = lens_from_field(places, *wanted);
  if (!lens) {
    return report_failure(
        {lens.error().code, fmt::format("{}: {}", options.input, lens.error().message)});
  }
  const Result<std::string> digest = sha256_of_file(options.input);
  if (!digest) return report_failure(digest.error());
  profile::Profile& profile = lens->profile;
  profile.provenance.footage.push_back(
      {.name = std::filesystem::path(options.input).filename().string(),
       .sha256 = *digest,
       .points = static_cast<int>(places.size()),
       .rms_px = lens->fit.rms_px,
       .used = true,
       .reason = {}});
  std::vector<Warning>& warnings = profile.stations.front().warnings;
  warnings.insert(warnings.begin(), file->warnings.begin(), file->warnings.end());
  if (Result<void> written =
          profile::write_profile(options.output, profile, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common,
        trials_text(lens->fit.trials) +
            fmt::format("{}: rms {:.4f} px, worst {:.4f} px over {} places -> {}\n",
                        lens::model_name(lens->fit.lens.model),
                        lens->fit.rms_px,
                        lens->fit.max_px,
                        places.size(),
                        options.output));
  report_warnings(warnings, common);
  const lens::Lens& fitted = lens->fit.lens;
  const fit::StraightPlace straight = lens->fit.straight.value_or(fit::StraightPlace());
  const nlohmann::json json = {
      {"file", options.output},
      {"model", lens::model_name(fitted.model)},
      {"straight_picture",
       {{"scale", {{"x", straight.scale.x()}, {"y", straight.scale.y()}}},
        {"shift_px", {{"x", straight.shift_px.x()}, {"y", straight.shift_px.y()}}}}},
      {"models", trials_json(lens->fit.trials)},
      {"rms_px", lens->fit.rms_px},
      {"max_px", lens->fit.max_px},
      {"max_at_px", {{"x", lens->fit.max_at_px.x()}, {"y", lens->fit.max_at_px.y()}}},
      {"places", places.size()},
      {"focal_px", {{"x", fitted.focal_px.x()}, {"y", fitted.focal_px.y()}}},
      {"principal_point_px",
       {{"x", fitted.principal_point_px.x()}, {"y", fitted.principal_point_px.y()}}},
      {"warnings", warnings_json(warnings)}};
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace trueplate::cli
