#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/profile.h"
#include "cli/handoff_report.h"
#include "cli/per_frame.h"
#include "cli/plate_options.h"
#include "warp/handoff.h"

namespace trueplate::cli {

/// What is asked of every frame of a shot, by its number.
using ShotRequest = std::map<int, PlateRequest>;
/// read_plate_options() for the lens of every frame; `channel` as for lenses_of().
Result<ShotRequest> read_shot_plate_options(const PlateOptions& options,
                                            const FrameLenses& lenses,
                                            const std::string& channel,
                                            int threads);

/// The overscan that serves all frames: on each edge what the frame needs that reaches furthest. A
/// warning that several frames give is there once, with the largest value.
Result<warp::Overscan> shot_overscan(const ShotRequest& request);

/// The numbers for a shot whose lens moves: one plate and one overscan, and a pinhole for every
/// frame.
struct ShotHandoff {
  struct Frame {
    int number = 0;
    zoom::ZoomState state;
    double sigma_px = 0.0;
    std::optional<double> entrance_pupil_mm;
    warp::Handoff handoff;
  };
  std::vector<Frame> frames;  // by number; one or more
  HandoffNotes notes;
};

/// Those of the lenses asked for, with this overscan, whose warnings and those of the lenses go
/// along.
Result<ShotHandoff> shot_handoff(const profile::Profile& profile,
                                 const FrameLenses& lenses,
                                 const ShotRequest& request,
                                 const warp::Overscan& overscan);

/// For machines: the fields of handoff_json() without cameras, and `frames`, each with them
/// (docs/hand-off.md).
nlohmann::json shot_handoff_json(const ShotHandoff& shot);
/// For people: what is common, then tables with a line for every frame.
std::string shot_handoff_text(const ShotHandoff& shot);

}  // namespace trueplate::cli
