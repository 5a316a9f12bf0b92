#include "cli/shot_handoff.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "cli/handoff_json.h"

namespace trueplate::cli {
namespace {

using Frame = ShotHandoff::Frame;

/// `warning`, or its value into that of the same code.
void add_warning(std::vector<Warning>& warnings, const Warning& warning) {
  const auto same = std::find_if(warnings.begin(), warnings.end(), [&](const Warning& one) {
    return one.code == warning.code;
  });
  if (same == warnings.end()) {
    warnings.push_back(warning);
  } else if (warning.value > same->value) {
    *same = warning;
  }
}

std::string focus_text(const std::optional<double>& focus_m) {
  if (!focus_m) return "-";
  return std::isinf(*focus_m) ? "inf" : fmt::format("{:.4f}", *focus_m);
}

std::string number_text(const std::optional<double>& value, int decimals) {
  return value ? fmt::format("{:.{}f}", *value, decimals) : "-";
}

/// The pinholes in pixels: those of solve and render differ by the overscan only.
std::string pixel_table(const ShotHandoff& shot) {
  const warp::EdgePixels& edges = shot.frames.front().handoff.overscan_px;
  std::string text = fmt::format(
      "\nSOLVE and RENDER, in px: the principal point counts from the plate's top-left corner, y "
      "down;\nfrom the render's it is {} px more in x, {} px more in y. sigma: how well the lens "
      "is "
      "known.\n",
      edges.left,
      edges.top);
  text += fmt::format("{:>8} {:>9} {:>9} {:>6} {:>7} {:>13} {:>13} {:>13} {:>13}\n",
                      "frame",
                      "zoom mm",
                      "focus m",
                      "T",
                      "sigma",
                      "focal x",
                      "focal y",
                      "principal x",
                      "principal y");
  for (const Frame& frame : shot.frames) {
    const warp::PinholeCamera camera = frame.handoff.solve();
    text +=
        fmt::format("{:>8} {:>9} {:>9} {:>6} {:>7.3f} {:>13.6f} {:>13.6f} {:>13.6f} {:>13.6f}\n",
                    frame.number,
                    number_text(frame.state.focal_mm, 4),
                    focus_text(frame.state.focus_m),
                    number_text(frame.state.t_stop, 2),
                    frame.sigma_px,
                    camera.focal_px.x(),
                    camera.focal_px.y(),
                    camera.principal_point_px.x(),
                    camera.principal_point_px.y());
  }
  return text;
}

/// The same with one focal length and the film backs that go with it; empty without a film back.
std::string film_table(const ShotHandoff& shot) {
  if (!shot.frames.front().handoff.lens.film_back) return "";
  std::string text =
      "\nThe same in mm, with one focal length: film backs width x height, principal points from "
      "the\nmiddle of the picture, x right, y down.\n";
  text += fmt::format("{:>8} {:>12} {:>23} {:>19} {:>23} {:>19}\n",
                      "frame",
                      "focal mm",
                      "plate: film back",
                      "principal point",
                      "render: film back",
                      "principal point");
  for (const Frame& frame : shot.frames) {
    const warp::FilmCamera solve = *frame.handoff.film(frame.handoff.solve());
    const warp::FilmCamera render = *frame.handoff.film(frame.handoff.render());
    text += fmt::format("{:>8} {:>12.6f}", frame.number, solve.focal_mm);
    for (const warp::FilmCamera& film : {solve, render}) {
      text += fmt::format(" {:>11.6f} {:>11.6f} {:>9.5f} {:>9.5f}",
                          film.film_back.width_mm,
                          film.film_back.height_mm,
                          film.principal_offset_mm.x(),
                          film.principal_offset_mm.y());
    }
    text += '\n';
  }
  return text;
}

}  // namespace

Result<ShotRequest> read_shot_plate_options(const PlateOptions& options,
                                            const FrameLenses& lenses,
                                            const std::string& channel,
                                            int threads) {
  ShotRequest request;
  for (const auto& [frame, at] : lenses.at_frames()) {
    Result<PlateRequest> one = read_plate_options(options, lenses.sharing(frame, channel), threads);
    if (!one) return fail(one.error());
    request.emplace(frame, *std::move(one));
  }
  return request;
}

Result<warp::Overscan> shot_overscan(const ShotRequest& request) {
  warp::Overscan all;
  for (const auto& [frame, one] : request) {
    const Result<warp::Overscan> own =
        warp::common_overscan(one.lenses, one.overscan, one.overscan_options);
    if (!own) {
      return fail(own.error().code, fmt::format("frame {}: {}", frame, own.error().message));
    }
    all.edges = {.left = std::max(all.edges.left, own->edges.left),
                 .top = std::max(all.edges.top, own->edges.top),
                 .right = std::max(all.edges.right, own->edges.right),
                 .bottom = std::max(all.edges.bottom, own->edges.bottom)};
    for (const Warning& warning : own->warnings) add_warning(all.warnings, warning);
  }
  return all;
}

Result<ShotHandoff> shot_handoff(const profile::Profile& profile,
                                 const FrameLenses& lenses,
                                 const ShotRequest& request,
                                 const warp::Overscan& overscan) {
  ShotHandoff shot;
  for (const auto& [number, one] : request) {
    const zoom::LensAtState& at = lenses.at_frames().at(number).green;
    warp::MapOptions map = one.map;
    map.overscan_px = overscan.edges;
    Result<warp::Handoff> handoff = warp::make_handoff(one.lenses.front(), map, one.filter);
    if (!handoff) {
      return fail(handoff.error().code,
                  fmt::format("frame {}: {}", number, handoff.error().message));
    }
    shot.frames.push_back({.number = number,
                           .state = at.state,
                           .sigma_px = at.sigma.rms_px,
                           .entrance_pupil_mm = at.entrance_pupil_mm,
                           .handoff = *std::move(handoff)});
  }
  std::vector<Warning> warnings = lenses.warnings();
  for (const Warning& warning : overscan.warnings) add_warning(warnings, warning);
  shot.notes = handoff_notes(profile, shot.frames.front().handoff.lens, warnings);
  return shot;
}

nlohmann::json shot_handoff_json(const ShotHandoff& shot) {
  nlohmann::json json = common_handoff_json(shot.frames.front().handoff, shot.notes);
  json["format"] = "trueplate-shot-handoff";
  json["frames"] = nlohmann::json::array();
  for (const Frame& frame : shot.frames) {
    nlohmann::json row = {{"frame", frame.number},
                          {"state", state_json(frame.state)},
                          {"sigma_px", frame.sigma_px},
                          {"entrance_pupil_mm", nullptr}};
    if (frame.entrance_pupil_mm) row["entrance_pupil_mm"] = *frame.entrance_pupil_mm;
    add_cameras_json(frame.handoff, row);
    json["frames"].push_back(std::move(row));
  }
  return json;
}

std::string shot_handoff_text(const ShotHandoff& shot) {
  const warp::Handoff& first = shot.frames.front().handoff;
  const lens::Lens& lens = first.lens;
  std::string plate = fmt::format("{} x {} px, pixel aspect {:.6g}, squeeze {:.6g}",
                                  first.straight.display.width,
                                  first.straight.display.height,
                                  lens.pixel_aspect,
                                  lens.squeeze);
  if (lens.film_back) {
    plate += fmt::format(
        ", film back {:.6g} x {:.6g} mm", lens.film_back->width_mm, lens.film_back->height_mm);
  }
  return fmt::format("Hand-off of {} frames, {} to {}: {}\n\nPLATE\n  {}\n",
                     shot.frames.size(),
                     shot.frames.front().number,
                     shot.frames.back().number,
                     handoff_title(first, shot.notes),
                     plate) +
         groups_text(common_handoff_groups(first, shot.notes)) + pixel_table(shot) +
         film_table(shot) + doubts_text(first, shot.notes);
}

}  // namespace trueplate::cli
