#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "calib/lens/distortion_measures.h"
#include "cli/report/figure_doubt.h"
#include "cli/report/lens_sections.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

/// A standard deviation that is no smaller than `least`; nullopt where there is neither.
std::optional<double> at_least(const std::optional<double>& sigma, double least) {
  if (!sigma && least <= 0.0) return std::nullopt;
  return std::max(sigma.value_or(0.0), least);
}

void add_fit(const profile::Station& station, Figures& figures) {
  if (!station.quality) return;
  const profile::Quality& quality = *station.quality;
  const bool is_of_use = is_stated_error_of_use(station);
  figures.add("residuals",
              px_text(quality.rms_px),
              is_of_use ? "rms per point" : "rms per point, as stated; not borne out");
  if (quality.held_out_rms_px) {
    figures.add("held out",
                px_text(*quality.held_out_rms_px),
                is_of_use ? "rms of points that were not fitted"
                          : "rms of points that were not fitted, as stated; not borne out");
  }
  if (!is_of_use) {
    figures.add("predicted error", "not known", "what the profile states is not this lens's");
  } else if (quality.map_sigma_max_px) {
    figures.add("predicted error",
                px_text(*quality.map_sigma_max_px),
                fmt::format("at the worst place, after what a camera solve absorbs; {} rms",
                            px_text(quality.map_sigma_rms_px.value_or(0.0))));
  }
  figures.add(
      "frames",
      fmt::format("{} of {}", quality.num_frames_used, quality.num_frames),
      fmt::format("used, with {} point{}", quality.num_points, quality.num_points == 1 ? "" : "s"));
}

void add_focal_length(const lens::Lens& lens, Figures& figures) {
  const auto focal = lens::focal_mm(lens);
  if (!focal) {
    figures.add(
        "focal length", fmt::format("{:.1f} px", lens.focal_px.x()), "no film back, so not in mm");
    return;
  }
  // The number on an anamorphic barrel is that of the axis that is not squeezed.
  constexpr double kWorthSaying = 0.01;
  const double squeeze = focal->y() / focal->x();
  const bool squeezed = std::abs(squeeze - 1.0) > kWorthSaying;
  figures.add("focal length",
              fmt::format("{:.2f} mm", squeezed ? focal->y() : focal->x()),
              squeezed ? fmt::format("squeeze {:.3f}; {:.2f} mm in x", squeeze, focal->x())
                       : fmt::format("{:.2f} px", lens.focal_px.x()));
}

void add_distortion(const profile::Station& station, double guessed_px, Figures& figures) {
  using lens::PointDistortion;
  const lens::Lens& lens = station.lens;
  const auto corner = lens::frame_distortion(lens).corner;
  if (!corner) {
    figures.add("distortion", "none", "in the corners, which the lens cannot straighten");
    return;
  }
  // Of the same corner, whichever of them a lens nearby distorts most.
  const Point2d place = lens::most_distorted_corner(lens);
  const auto sigma = [&](double (PointDistortion::*figure)() const) {
    return sigma_of(station, [&](const lens::Lens& other) -> std::optional<double> {
      const auto at = lens::point_distortion(other, place);
      return at ? std::optional((*at.*figure)()) : std::nullopt;
    });
  };
  const auto percent_sigma =
      at_least(sigma(&PointDistortion::percent), 100.0 * guessed_px / corner->ideal_height_px);
  const auto shift_sigma = at_least(sigma(&PointDistortion::shift_px), guessed_px);
  figures.add("distortion",
              doubted_text(corner->percent(), percent_sigma, 2, true) + " %",
              fmt::format("{}, {} {} in the corner{}",
                          corner->percent() < 0.0 ? "barrel" : "pincushion",
                          doubted_text(corner->shift_px(), shift_sigma, 1, true),
                          height_unit(lens),
                          guessed_px > 0.0  ? ", guessed"
                          : shift_sigma     ? ""
                          : station.quality ? "; the profile has no covariance to doubt it by"
                                            : ""));
}

void add_overscan(const profile::Station& station, double guessed_px, Figures& figures) {
  const lens::Lens& lens = station.lens;
  const auto factor = lens::overscan_factor(lens);
  if (!factor) {
    figures.add("overscan",
                "none",
                fmt::format("keeps all of the plate; {:.0f} % of its border can be straightened",
                            100.0 * lens::invertible_share_of_border(lens)));
    return;
  }
  // Twice the farthest place of the straightened border over the frame's size.
  const double doubt = 2.0 * guessed_px / std::min(lens.plate_size.width, lens.plate_size.height);
  figures.add(
      "overscan",
      doubted_text(*factor, at_least(sigma_of(station, &lens::overscan_factor), doubt), 3, false) +
          "x",
      fmt::format("the plate, to keep all of it, as one factor about the middle; width and "
                  "height: see the hand-off{}",
                  guessed_px > 0.0 ? "; guessed" : ""));
}

}  // namespace

json key_figures(const profile::Station& station) {
  Figures figures;
  add_fit(station, figures);
  add_focal_length(station.lens, figures);
  const double guessed = guessed_px(station);
  add_distortion(station, guessed, figures);
  add_overscan(station, guessed, figures);
  return figures.json();
}

}  // namespace trueplate::cli
