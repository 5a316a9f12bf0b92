// How far off the lens and the path are that come out of tracks: over the whole frame, and of the
// path's length. Truth: tests/support/made_shot, which uses nothing of the solver.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <vector>

#include "calib/plate/trial.h"
#include "tests/support/field.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate;
using plate::CameraSolve;
using plate::LensUse;
using plate::Trial;
using tests::MadeShot;
using tests::ShotPlan;

/// Of each kind. Four by default; TRUEPLATE_TRACKS_SHOTS=12 makes the table of docs/accuracy.md.
const unsigned kShots = [] {
  const char* text = std::getenv("TRUEPLATE_TRACKS_SHOTS");
  return text != nullptr ? static_cast<unsigned>(std::max(1, std::atoi(text))) : 4U;
}();

/// Shots that differ by chance alone.
struct Kind {
  int num_tracks = 0;
  double k1 = 0.0;
  double k2 = 0.0;
  bool focal_is_told = false;
  double promised_px = 0.0;    // of the field error, root mean square over shots and frame
  double promised_path = 0.0;  // of its length
};

struct Errors {
  double field_rms_px = 0.0;      // root mean square over the shots
  double field_max_px = 0.0;      // the worst place of all shots
  double edge_over_stated = 0.0;  // of the outermost points' shift, root mean square
  double path = 0.0;              // median, of the path's length
  double path_without = 0.0;      // the same without a lens
  double worst_path = 0.0;
};

double median(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  return values[values.size() / 2];
}

Errors errors_of(const Kind& kind) {
  Errors errors;
  std::vector<double> paths;
  std::vector<double> paths_without;
  for (unsigned seed = 1; seed <= kShots; ++seed) {
    const ShotPlan plan{.k1 = kind.k1,
                        .k2 = kind.k2,
                        .num_tracks = kind.num_tracks,
                        .num_frames = 40,
                        .travel = 5.0,
                        .seed = 500 + seed};
    const MadeShot shot = make_shot(plan);
    const auto focal_px = kind.focal_is_told ? std::optional(plan.focal_px) : std::nullopt;
    const Result<Trial> trial = plate::try_solve(shot.tracks, {.focal_px = focal_px});
    REQUIRE_MESSAGE(trial.has_value(), (trial ? "" : trial.error().message));
    const CameraSolve* solve = trial->find(LensUse::kFree);
    REQUIRE_MESSAGE(solve != nullptr, trial->findings.front().words);
    const tests::FieldError field = tests::field_error(solve->lens, lens_of(plan));
    errors.field_rms_px += field.rms_px * field.rms_px / kShots;
    errors.field_max_px = std::max(errors.field_max_px, field.max_px);
    const double u2 = std::pow(trial->lens.edge_radius_px / plan.focal_px, 2.0);
    const double edge_px = trial->lens.edge_radius_px * u2 * (plan.k1 + u2 * plan.k2);
    errors.edge_over_stated +=
        std::pow((trial->lens.edge_shift_px - edge_px) / trial->lens.edge_sigma_px, 2.0) / kShots;
    paths.push_back(path_error(shot, *solve));
    paths_without.push_back(path_error(shot, *trial->find(LensUse::kNone)));
  }
  errors.field_rms_px = std::sqrt(errors.field_rms_px);
  errors.edge_over_stated = std::sqrt(errors.edge_over_stated);
  errors.path = median(paths);
  errors.path_without = median(paths_without);
  errors.worst_path = *std::max_element(paths.begin(), paths.end());
  return errors;
}

}  // namespace

TEST_CASE("the lens from tracks over the frame, and the camera's path with it") {
  for (const Kind& kind : {Kind{20, -0.12, 0.03, true, 0.5, 0.002},
                           Kind{60, -0.12, 0.03, true, 0.3, 0.001},
                           Kind{60, -0.12, 0.03, false, 0.5, 0.005},
                           Kind{60, -0.25, 0.08, true, 0.3, 0.001},
                           Kind{60, 0.06, 0.0, true, 0.3, 0.001}}) {
    const Errors errors = errors_of(kind);
    fmt::print(
        "{} tracks, k1 {:g}, k2 {:g}, focal length {}: field error {:.3f} px rms, {:.3f} px at the "
        "worst place of {} shots; edge off by {:.2f} of the stated; path off by {:.5f} of its "
        "length, {:.5f} at worst, {:.4f} without lens\n",
        kind.num_tracks,
        kind.k1,
        kind.k2,
        kind.focal_is_told ? "told" : "open",
        errors.field_rms_px,
        errors.field_max_px,
        kShots,
        errors.edge_over_stated,
        errors.path,
        errors.worst_path,
        errors.path_without);
    CHECK(errors.field_rms_px < kind.promised_px);
    CHECK(errors.path < kind.promised_path);
    CHECK(errors.path < errors.path_without);
    CHECK(errors.edge_over_stated < 1.6);
  }
}
