#include "calib/plate/detail/line_bow.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "calib/base/counted.h"

namespace trueplate::plate::detail {
namespace {

// Lengths are for a frame of this longer side; larger frames' are longer in proportion. The limits
// are choices without a source, well between edges of photographs (calib/plate/
// test_line_photographs) and curved things alone (calib/plate/test_line_fit).
constexpr double kLongerSide = 2048.0;
constexpr double kBowedPx = 1.0;
constexpr double kBowedNoise = 5.0;
constexpr double kStillBent = 0.3;  // of the bend on the plate
// A line's departure from the straight, with the lens over that on the plate.
constexpr double kStraighter = 0.8;
constexpr double kBent = 1.25;
constexpr int kLeastBent = 3;
constexpr double kDoubtfulPx = 0.3;
constexpr double kDoubtfulNoise = 3.0;

double scale_of(const LineFit& fit) {
  return std::max(fit.lens.plate_size.width, fit.lens.plate_size.height) / kLongerSide;
}

/// Of the used lines on the plate, each from its best straight line; root mean square, px.
double bend_on_plate_px(const LineFit& fit) {
  double squares = 0.0;
  double count = 0.0;
  for (const LineResult& line : fit.lines) {
    if (!line.used) continue;
    squares += line.num_points * line.before.rms_px * line.before.rms_px;
    count += line.num_points;
  }
  return std::sqrt(squares / std::max(1.0, count));
}

/// Lines used that the lens makes straighter than they are on the plate, and those that it bends.
struct Votes {
  int num_straighter = 0;
  int num_bent = 0;
};

Votes votes_of(const LineFit& fit) {
  Votes votes;
  for (const LineResult& line : fit.lines) {
    if (!line.used || !line.residual_rms_px) continue;
    if (*line.residual_rms_px < kStraighter * line.before.rms_px) ++votes.num_straighter;
    if (*line.residual_rms_px > kBent * line.before.rms_px) ++votes.num_bent;
  }
  return votes;
}

bool exceeds(const LineFit& fit, double least_px, double least_noise) {
  return fit.rms_px > least_px * scale_of(fit) && fit.rms_px > least_noise * fit.noise_px;
}

}  // namespace

Result<void> check_straight(const LineFit& fit) {
  const Votes votes = votes_of(fit);
  if (votes.num_bent >= kLeastBent && votes.num_bent > votes.num_straighter) {
    return fail(ErrorCode::kUndetermined,
                fmt::format("no lens makes these lines straight: of the {} that agree best {} are "
                            "bent by the lens that suits them and only {} made straighter; a few "
                            "strongly curved things pass for the lens: look at them with --draw, "
                            "and take plates with long straight edges, or pick lines by hand",
                            counted(static_cast<std::size_t>(fit.num_lines), "line"),
                            votes.num_bent,
                            votes.num_straighter));
  }
  const double bend_px = bend_on_plate_px(fit);
  if (!exceeds(fit, kBowedPx, kBowedNoise) || fit.rms_px < kStillBent * bend_px) return {};
  return fail(ErrorCode::kUndetermined,
              fmt::format("no lens makes these lines straight: the {} that agree best depart from "
                          "straight ones by {:.2f} px rms on the plate, and by {:.2f} px still "
                          "with the lens that suits them, {:.0f} times the noise of their points; "
                          "they seem to be curved in the world: look at them with --draw, and "
                          "take plates with long straight edges, or pick lines by hand",
                          counted(static_cast<std::size_t>(fit.num_lines), "line"),
                          bend_px,
                          fit.rms_px,
                          fit.rms_px / std::max(fit.noise_px, 1e-3)));
}

std::optional<Warning> still_bowed(const LineFit& fit) {
  if (!exceeds(fit, kDoubtfulPx, kDoubtfulNoise)) return std::nullopt;
  return Warning{"lines-bow",
                 fmt::format("straightened, the lines still depart from straight ones by {:.2f} px "
                             "rms, {:.0f} times the noise of their points ({:.2f} px before): look "
                             "at --draw whether they are straight in the world; if they are, the "
                             "lens is none of these models",
                             fit.rms_px,
                             fit.rms_px / std::max(fit.noise_px, 1e-3),
                             bend_on_plate_px(fit)),
                 fit.rms_px};
}

}  // namespace trueplate::plate::detail
