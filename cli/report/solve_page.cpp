#include "cli/report/solve_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/utf8.h"
#include "calib/lens/model.h"
#include "cli/report/fit_sections.h"
#include "cli/report/parts.h"
#include "cli/report/unsolved_sections.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

constexpr std::size_t kMostPoints = 40'000;

std::string_view headline_of(const plate::Finding& finding, bool has_profile) {
  switch (finding.cause) {
    case plate::Cause::kGood:
      return finding.or_cause ? "The tracks solve, and may hide a lens" : "Good: the tracks solve";
    case plate::Cause::kMarkersOff:
      return "Tracks are off";
    case plate::Cause::kSlippedTrack:
      return "A track slipped";
    case plate::Cause::kLens:
      return has_profile ? "The profile is not this shot's lens" : "The lens bends this plate";
    case plate::Cause::kWrongFocal:
      return "The focal length does not fit";
    case plate::Cause::kPixelAspect:
      return "The pixel aspect does not fit";
    case plate::Cause::kLittleParallax:
      return "Too little parallax to solve";
    case plate::Cause::kOnePlane:
      return "The tracks lie in one plane";
    case plate::Cause::kPureRotation:
      return "The camera only turned";
    case plate::Cause::kTooFewCommon:
      break;
  }
  return "Too few tracks in common to solve";
}

std::string_view level_of(const plate::Trial& trial) {
  const plate::CameraSolve* solve = trial.as_given();
  if (solve == nullptr) return "open";
  const plate::Finding& first = trial.findings.front();
  if (first.cause == plate::Cause::kGood) return first.or_cause ? "care" : "good";
  const plate::Band band = plate::band_of(solve->used.rms_px, trial.plate_size);
  return band == plate::Band::kBad ? "doubt" : "care";
}

json verdict_of(const plate::Trial& trial) {
  json lines = json::array();
  for (const plate::Finding& finding : trial.findings) {
    lines.push_back(printable(finding.words, kLongestName));
  }
  if (!trial.lens.words.empty()) lines.push_back(printable(trial.lens.words, kLongestName));
  return {{"level", level_of(trial)},
          {"headline",
           headline_of(trial.findings.front(), trial.find(plate::LensUse::kProfile) != nullptr)},
          {"lines", lines}};
}

/// "within the aim of 0.94 px".
std::string band_words(double rms_px, ImageSize plate_size) {
  const double scale = plate_size.width / plate::kBandWidthPx;
  const std::string aim = px_text(plate::kAimPx * scale);
  switch (plate::band_of(rms_px, plate_size)) {
    case plate::Band::kAim:
      return "within the aim of " + aim;
    case plate::Band::kSuspect:
      return "above the aim of " + aim;
    case plate::Band::kBad:
      break;
  }
  return fmt::format("bad: above {}", px_text(plate::kBadPx * scale));
}

json figures_of(const plate::Tracks& tracks, const plate::Trial& trial) {
  Figures figures;
  for (const plate::CameraSolve& solve : trial.solves) {
    figures.add(plate::name_of(solve.lens_use),
                px_text(solve.used.rms_px),
                fmt::format("rms; {}", band_words(solve.used.rms_px, trial.plate_size)));
  }
  figures.add("tracks",
              fmt::format("{}", tracks.names.size()),
              fmt::format("{} points", tracks.points.size()));
  figures.add("frames",
              fmt::format("{}", tracks.frames.size()),
              trial.solves.empty() ? std::string("none solved")
              : trial.unsolved_frames.empty()
                  ? std::string("all solved")
                  : fmt::format("{} not solved", trial.unsolved_frames.size()));
  if (trial.num_left_out > 0)
    figures.add("left out", fmt::format("{}", trial.num_left_out), "points, as wrong");
  if (!trial.solves.empty()) {
    figures.add("noise", px_text(trial.noise_px), "sigma of a coordinate");
    figures.add("parallax", px_text(trial.parallax_px), "of the keyframes, rms");
  }
  return figures.json();
}

json solves_section(const plate::Trial& trial) {
  json rows = json::array();
  for (const plate::CameraSolve& solve : trial.solves) {
    std::string lens(lens::model_name(solve.lens.model));
    if (solve.lens_use == plate::LensUse::kFree) {
      lens.clear();
      for (std::size_t i = 0; i < static_cast<std::size_t>(trial.lens.num_radial); ++i) {
        lens += fmt::format("{}k{} {:.4f} (sigma {:.2g})",
                            i == 0 ? "" : ", ",
                            i + 1,
                            trial.lens.radial[i],
                            trial.lens.radial_sigma[i]);
      }
    }
    if (solve.lens_use == plate::LensUse::kAllFree) {
      const auto radial = lens::parameters(solve.lens.model);
      lens = fmt::format("k1 {:.4f}, k2 {:.4f}", radial[0], radial[1]);
    }
    if (solve.lens_use == plate::LensUse::kNone) lens = "pinhole";
    json cells = {
        plate::name_of(solve.lens_use),
        fmt::format("{:.3f}", solve.used.rms_px),
        plate::name_of(plate::band_of(solve.used.rms_px, trial.plate_size)),
        fmt::format("{:.3f}", solve.all.rms_px),
        fmt::format("{:.2f}", solve.used.max_px),
        fmt::format("{:.1f} px{}", solve.lens.focal_px.x(), solve.focal_solved ? ", solved" : ""),
        lens};
    rows.push_back(&solve == trial.as_given() ? chosen_row(std::move(cells))
                                              : table_row(std::move(cells)));
  }
  const double scale = trial.plate_size.width / plate::kBandWidthPx;
  return {
      {"kind", "table"},
      {"title", "With and without the lens"},
      {"words",
       {fmt::format("The average error is the root mean square over the points fitted. On this "
                    "plate up to {:.2f} px is the aim, above {:.2f} px bad: {:g} and {:g} px on "
                    "one of {:g} px of width. The framed row is what the rest of this page "
                    "shows.",
                    plate::kAimPx * scale,
                    plate::kBadPx * scale,
                    plate::kAimPx,
                    plate::kBadPx,
                    plate::kBandWidthPx)}},
      {"columns",
       {text_column("solved with"),
        number_column("average px"),
        text_column("band"),
        number_column("counting those left out px"),
        number_column("largest px"),
        number_column("focal length"),
        text_column("lens")}},
      {"rows", rows}};
}

/// Error of each frame, a curve a solve.
json frames_section_of(const plate::Tracks& tracks, const plate::Trial& trial) {
  json series = json::array();
  for (const plate::CameraSolve& solve : trial.solves) {
    json points = json::array();
    for (std::size_t f = 0; f < solve.frame_rms_px.size(); ++f) {
      if (solve.frame_rms_px[f]) {
        points.push_back({tracks.frames[f], rounded(*solve.frame_rms_px[f], 1e-4)});
      }
    }
    if (!points.empty())
      series.push_back({{"name", plate::name_of(solve.lens_use)}, {"points", points}});
  }
  if (series.empty()) return {};
  const double scale = trial.plate_size.width / plate::kBandWidthPx;
  return {{"kind", "curves"},
          {"title", "Error over the shot"},
          {"words",
           {"A lens that does not fit lifts every frame; a track that slipped or a frame that is "
            "blurred lifts its own."}},
          {"caption", "Root mean square of each frame's points that were fitted."},
          {"x_label", "frame"},
          {"y_label", "error, px"},
          {"x_unit", ""},
          {"y_unit", "px"},
          {"levels",
           {{{"value", plate::kAimPx * scale}, {"label", "aim"}},
            {{"value", plate::kBadPx * scale}, {"label", "bad"}}}},
          {"series", series}};
}

/// One figure of a solve's rings, at the middle of each.
json ring_points(const plate::CameraSolve& solve, double plate::RingError::*figure) {
  json points = json::array();
  double inner = 0.0;
  for (const plate::RingError& ring : solve.rings) {
    const double middle = 0.5 * (inner + ring.outer_radius_px);
    inner = ring.outer_radius_px;
    if (ring.num_points > 0) points.push_back({rounded(middle, 0.1), rounded(ring.*figure, 1e-4)});
  }
  return points;
}

/// Error towards the edge of the frame: where a lens that does not fit shows.
json rings_section(const plate::Trial& trial) {
  json series = json::array();
  const auto add = [&](std::string name, json points) {
    if (points.size() > 1) {
      series.push_back({{"name", std::move(name)}, {"points", std::move(points)}});
    }
  };
  for (const plate::CameraSolve& solve : trial.solves) {
    add(std::string(plate::name_of(solve.lens_use)), ring_points(solve, &plate::RingError::rms_px));
  }
  if (const plate::CameraSolve* solve = trial.as_given()) {
    add(fmt::format("{}, mean outwards", plate::name_of(solve->lens_use)),
        ring_points(*solve, &plate::RingError::mean_radial_px));
  }
  if (series.empty()) return {};
  return {{"kind", "curves"},
          {"title", "Error towards the edge"},
          {"words",
           {"How far points are off, root mean square, in rings about the principal point. A curve "
            "that rises towards the edge is distortion that was not taken out.",
            "Mean outwards: by how much the points of a ring lie farther out than predicted, on "
            "average. Away from 0 it is distortion, too; at 0 it says little, for the solve moves "
            "points and camera until pushes outwards and inwards cancel."}},
          {"caption", "At the middle of each ring."},
          {"x_label", "distance from the principal point, px"},
          {"y_label", "error, px"},
          {"x_unit", "px"},
          {"y_unit", "px"},
          {"x_from", 0},
          {"series", series}};
}

/// The points of each frame, as frames_json() of fit_sections.h has them.
json residual_frames(const plate::Tracks& tracks, const plate::CameraSolve& solve) {
  json frames = json::array();
  const std::size_t stride = tracks.points.size() / kMostPoints + 1;
  for (std::size_t f = 0; f < tracks.frames.size(); ++f) {
    const auto rms = solve.frame_rms_px[f];
    json frame = {{"name", fmt::format("frame {}", tracks.frames[f])},
                  {"points", 0},
                  {"used", solve.poses[f].has_value()},
                  {"reason", ""},
                  {"rms_px", rms ? json(*rms) : json()},
                  {"max_px", nullptr},
                  {"tilt_deg", nullptr},
                  {"left_out", 0}};
    for (const char* key : {"x", "y", "dx", "dy", "kept"}) frame[key] = json::array();
    frames.push_back(std::move(frame));
  }
  for (std::size_t i = 0; i < tracks.points.size(); i += stride) {
    const plate::TrackPoint& point = tracks.points[i];
    json& frame = frames[static_cast<std::size_t>(point.frame)];
    const auto& residual = solve.residuals_px[i];
    frame["x"].push_back(rounded(point.p_px.x(), 0.01));
    frame["y"].push_back(rounded(point.p_px.y(), 0.01));
    frame["dx"].push_back(residual ? json(rounded(residual->x(), 1e-4)) : json());
    frame["dy"].push_back(residual ? json(rounded(residual->y(), 1e-4)) : json());
    frame["kept"].push_back(residual ? 1 : 0);
    frame["points"] = frame["x"].size();
  }
  return frames;
}

json residuals_section(const plate::CameraSolve& solve, const json& frames) {
  json section = vectors_section(solve.lens, frames);
  if (section.is_null()) return section;
  section["words"] = {fmt::format(
      "Solved with: {}. Each stem starts at a tracked point and shows its residual: the "
      "tracked place less the solve's. Stems that point in or out all around the frame are a "
      "lens that does not fit; see the mean of each cell.",
      plate::name_of(solve.lens_use))};
  return section;
}

const plate::TrackFault* fault_of(const plate::Trial& trial, int track) {
  const auto found = std::find_if(trial.faults.begin(), trial.faults.end(), [&](const auto& fault) {
    return fault.track == track;
  });
  return found == trial.faults.end() ? nullptr : &*found;
}

std::string fault_text(const plate::Tracks& tracks, const plate::TrackFault& fault) {
  const double frame = tracks.frames[static_cast<std::size_t>(fault.frame)];
  if (fault.swapped_with) {
    return fmt::format("\xE2\x9C\x95 changes places with {} at frame {}",
                       tracks.names[static_cast<std::size_t>(*fault.swapped_with)],
                       frame);
  }
  switch (fault.kind) {
    case plate::FaultKind::kSlipped:
      return fmt::format("\xE2\x9C\x95 slips by {} at frame {}", px_text(fault.size_px), frame);
    case plate::FaultKind::kDrifts:
      return fmt::format("\xE2\x9C\x95 drifts evenly, {} in all", px_text(fault.size_px));
    case plate::FaultKind::kOff:
      break;
  }
  return fmt::format("\xE2\x9C\x95 off by up to {}, worst at frame {}; {} frames left out",
                     px_text(fault.size_px),
                     frame,
                     fault.frames.size());
}

/// A track of which no point was left out; its error may be large all the same.
std::string fit_text(double rms_px, ImageSize plate_size) {
  switch (plate::band_of(rms_px, plate_size)) {
    case plate::Band::kAim:
      return "\xE2\x97\x8F fits";
    case plate::Band::kSuspect:
      return "\xE2\x97\x8B above the aim; does not stand out from the others";
    case plate::Band::kBad:
      break;
  }
  return "\xE2\x97\x8B bad, as others are; see the verdict";
}

/// Every track, the worst first.
json tracks_section(const plate::Tracks& tracks, const plate::Trial& trial) {
  const plate::CameraSolve& solve = *trial.as_given();
  std::vector<int> order(tracks.names.size());
  std::iota(order.begin(), order.end(), 0);
  const auto rms = [&](int track) {
    return solve.track_rms_px[static_cast<std::size_t>(track)].value_or(-1.0);
  };
  std::stable_sort(order.begin(), order.end(), [&](int a, int b) { return rms(a) > rms(b); });
  std::vector<int> counts(tracks.names.size(), 0);
  for (const plate::TrackPoint& point : tracks.points)
    ++counts[static_cast<std::size_t>(point.track)];
  json rows = json::array();
  for (const int track : order) {
    if (rows.size() == kMostTracks) break;
    const plate::TrackFault* fault = fault_of(trial, track);
    const bool solved = rms(track) >= 0.0;
    rows.push_back(table_row(
        {printable(tracks.names[static_cast<std::size_t>(track)], kLongestName),
         fmt::format("{}", counts[static_cast<std::size_t>(track)]),
         solved ? json(fmt::format("{:.3f}", rms(track))) : json(),
         fault != nullptr ? fault_text(tracks, *fault)
         : solved         ? fit_text(rms(track), trial.plate_size)
                  : std::string("not solved: seen too rarely, or with too little parallax")}));
  }
  json words =
      json::array({"The worst first, over all points of a track, those left out among them."});
  if (order.size() > kMostTracks) {
    words.push_back(fmt::format("The first {} of {}.", kMostTracks, order.size()));
  }
  return {
      {"kind", "table"},
      {"title", "Every track"},
      {"words", words},
      {"columns",
       {text_column("track"), number_column("points"), number_column("rms px"), text_column("")}},
      {"rows", rows}};
}

}  // namespace

json solve_page(const plate::Tracks& tracks,
                const plate::Trial& trial,
                const std::string& source,
                const std::string& date) {
  PageParts parts{.page = "solve",
                  .title = printable(source, 200),
                  .eyebrow = "Trial camera solve",
                  .date = date,
                  .plate = {},
                  .verdict = verdict_of(trial),
                  .figures = figures_of(tracks, trial),
                  .warnings = warnings_part(trial.warnings),
                  .sections = {}};
  lens::Lens plate;
  plate.plate_size = trial.plate_size;
  if (const plate::CameraSolve* solve = trial.as_given()) {
    plate = solve->lens;
    parts.frames = residual_frames(tracks, *solve);
    json coverage = coverage_section(solve->lens, parts.frames);
    if (!coverage.is_null()) {
      coverage["words"] = {
          "Where tracked points were. What the solve says of the lens rests on "
          "points near the edges and in the corners."};
    }
    parts.sections = {solves_section(trial),
                      frames_section_of(tracks, trial),
                      rings_section(trial),
                      residuals_section(*solve, parts.frames),
                      std::move(coverage),
                      tracks_section(tracks, trial)};
  } else {
    parts.sections = {motion_section(tracks, trial), seen_section(tracks)};
  }
  parts.plate = plate_json(plate);
  return page_json(std::move(parts));
}

}  // namespace trueplate::cli
