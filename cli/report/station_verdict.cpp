#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>

#include "calib/fit/fit.h"
#include "calib/lens/distortion_measures.h"
#include "calib/lens/model.h"
#include "calib/profile/verdict.h"
#include "cli/report/lens_sections.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

/// Of a lens that straightens less than this share of the frame's border most numbers are about
/// places that no straight picture has.
constexpr double kLeastBorderShare = 0.5;

/// A stated error counts as another lens's where noise alone makes this many times as much, and so
/// many pixels more: then coefficients or covariance were changed after the fit.
constexpr double kDisagreeFactor = 1.5;
constexpr double kDisagreePx = 0.01;

struct Verdict {
  std::string_view level;
  std::string headline;
};

/// What noise alone makes of the map at the frame's corners and edges, px, one standard deviation:
/// the largest. A part of what the profile states, so never more. nullopt where nothing is stated,
/// or none of them has an inverse.
std::optional<double> border_sigma_px(const profile::Station& station) {
  if (!station.uncertainty || !station.quality) return std::nullopt;
  fit::LensFit fit;
  fit.lens = station.lens;
  fit.covariance = station.uncertainty->covariance;
  const auto absorbed =
      station.quality->map_sigma_after == profile::MapSigmaAfter::kRotationAndFocal
          ? fit::Absorbed::kRotationAndFocal
          : fit::Absorbed::kRotation;
  std::optional<double> largest;
  for (const double x : {0.0, 0.5, 1.0}) {
    for (const double y : {0.0, 0.5, 1.0}) {
      const Point2d p(x * station.lens.plate_size.width, y * station.lens.plate_size.height);
      const std::optional<double> sigma = fit::map_sigma_px(fit, p, absorbed);
      if (sigma && std::isfinite(*sigma)) largest = std::max(largest.value_or(0.0), *sigma);
    }
  }
  return largest;
}

/// Whether enough of the frame can be straightened for the numbers to be about it.
bool holds_frame(const lens::Lens& lens) {
  // A fisheye sees more than any flat picture holds, and is none the worse for it.
  return lens::invertible_share_of_border(lens) >= kLeastBorderShare ||
         lens::distort_ray(lens.model, {1.0, 0.0, 0.0}).has_value();
}

std::optional<Verdict> about_domain(const lens::Lens& lens) {
  const double share = lens::invertible_share_of_border(lens);
  if (share >= 1.0) return std::nullopt;
  const std::string words =
      fmt::format("only {:.1f} % of the frame's border can be straightened", 100.0 * share);
  if (!holds_frame(lens)) return Verdict{"doubt", "Doubtful: " + words};
  return Verdict{"care", "Usable in part: " + words};
}

/// What no lens has, whatever the profile states of its fit.
std::optional<Verdict> about_shape(const lens::Lens& lens) {
  constexpr double kMostPincushion = 50.0;  // percent, a choice; fisheyes come near -100
  const auto corner = lens::frame_distortion(lens).corner;
  if (corner && corner->percent() > kMostPincushion) {
    return Verdict{
        "doubt",
        fmt::format("Doubtful: pincushion distortion of {:.3g} % is no lens's", corner->percent())};
  }
  const Point2d size(lens.plate_size.width, lens.plate_size.height);
  const Point2d off = (lens.principal_point_px - 0.5 * size).cwiseQuotient(size).cwiseAbs();
  if (off.maxCoeff() > 1.5) {
    return Verdict{"doubt",
                   fmt::format("Doubtful: the principal point lies {:.3g} plates beside the plate: "
                               "another plate's lens",
                               off.maxCoeff() - 0.5)};
  }
  return std::nullopt;
}

std::optional<Verdict> about_statement(const profile::Station& station) {
  const std::optional<double> now = border_sigma_px(station);
  if (!now || !station.quality->map_sigma_max_px) return std::nullopt;
  const double stated = *station.quality->map_sigma_max_px;
  if (*now <= kDisagreeFactor * stated + kDisagreePx) return std::nullopt;
  return Verdict{"doubt",
                 fmt::format("Doubtful: {} stated at the worst place, but its own map has {} of "
                             "noise alone",
                             px_text(stated),
                             px_text(*now))};
}

std::optional<std::string> contradiction_in(const profile::Station& station) {
  return station.quality ? profile::contradiction_of(*station.quality) : std::nullopt;
}

/// By residuals and by how much of the map is guessed; warnings count where there is nothing worse.
Verdict about_fit(const profile::Station& station) {
  const auto& quality = station.quality;
  if (const auto contradiction = contradiction_in(station)) {
    return {"doubt", "Doubtful, these are no fit's figures: " + *contradiction};
  }
  const double rms = quality ? quality->map_sigma_rms_px.value_or(0.0) : 0.0;
  const double worst = quality ? quality->map_sigma_max_px.value_or(0.0) : 0.0;
  if (rms > profile::kUsableRmsPx) {
    return {"doubt",
            fmt::format("Doubtful: much of the frame is guessed, to {} rms", px_text(rms))};
  }
  const profile::FitVerdict fit = profile::fit_verdict(quality);
  if (worst > profile::kWorstPlacePx && fit != profile::FitVerdict::kDoubtful) {
    return {
        "doubt",
        fmt::format("Doubtful where nothing was measured: {} at the worst place", px_text(worst))};
  }
  switch (fit) {
    case profile::FitVerdict::kNotKnown:
      return {"open", "Not judged"};
    case profile::FitVerdict::kGood:
      if (station.warnings.empty()) return {"good", "Good"};
      return {"care", "Small residuals, but with warnings"};
    case profile::FitVerdict::kPartlyGuessed:
      return {"care",
              fmt::format("Guessed in parts, to {} at the worst place; good where it was measured",
                          px_text(worst))};
    case profile::FitVerdict::kUsable:
      if (worst > profile::kUncertainMapPx) {
        return {"care",
                fmt::format("Guessed in parts, to {} at the worst place; usable with care where "
                            "it was measured",
                            px_text(worst))};
      }
      return {"care", "Usable with care"};
    case profile::FitVerdict::kDoubtful:
      break;
  }
  return {"doubt", fmt::format("Doubtful: residuals of {} rms", px_text(quality->rms_px))};
}

int weight_of(std::string_view level) {
  constexpr std::string_view kRising[] = {"good", "open", "care", "doubt"};
  return static_cast<int>(std::find(std::begin(kRising), std::end(kRising), level) -
                          std::begin(kRising));
}

Verdict headline_of(const profile::Station& station) {
  Verdict worst = about_fit(station);
  for (const auto& verdict :
       {about_statement(station), about_domain(station.lens), about_shape(station.lens)}) {
    if (verdict && weight_of(verdict->level) >= weight_of(worst.level)) worst = *verdict;
  }
  return worst;
}

std::string residuals_sentence(profile::FitVerdict verdict) {
  // Where parts are guessed the headline says so.
  if (verdict == profile::FitVerdict::kPartlyGuessed) {
    return fmt::format(
        "Where there were points, residuals are below the {} px that a controlled grid should "
        "reach.",
        profile::kGoodRmsPx);
  }
  return fmt::format("Residuals {}.", profile::words_of(verdict));
}

}  // namespace

bool is_stated_error_of_use(const profile::Station& station) {
  return holds_frame(station.lens) && !about_statement(station) && !about_shape(station.lens) &&
         !contradiction_in(station);
}

json verdict_of(const profile::Station& station) {
  const Verdict verdict = headline_of(station);
  json lines = json::array();
  if (is_stated_error_of_use(station) || !station.quality) {
    lines.push_back(residuals_sentence(profile::fit_verdict(station.quality)));
  }
  if (station.quality) {
    const profile::Quality& quality = *station.quality;
    const bool is_of_use = is_stated_error_of_use(station);
    std::string words = fmt::format("{} the {} points it was fitted to within {} rms",
                                    is_of_use ? "The lens meets"
                                              : "The profile says, and nothing here bears it out, "
                                                "that the lens meets",
                                    quality.num_points,
                                    px_text(quality.rms_px));
    if (quality.held_out_rms_px) {
      words += fmt::format(", and points it was not fitted to within {}",
                           px_text(*quality.held_out_rms_px));
    }
    lines.push_back(words + ".");
    if (is_of_use && quality.map_sigma_rms_px && quality.map_sigma_max_px) {
      lines.push_back(fmt::format(
          "The predicted error of a straightened or bent pixel is {1} rms{0}, and {2} at the worst "
          "place (one standard deviation, after what a camera solve absorbs).",
          lens::invertible_share_of_border(station.lens) < 1.0
              ? " where the frame can be straightened at all"
              : " over the frame",
          px_text(*quality.map_sigma_rms_px),
          px_text(*quality.map_sigma_max_px)));
    }
  }
  if (lens::invertible_share_of_border(station.lens) < 1.0) {
    lines.push_back(
        "What of the border cannot be straightened has no place in a straight picture; distortion "
        "and overscan are not told for it.");
  }
  if (about_statement(station)) {
    lines.push_back(
        "The coefficients, or their uncertainty, are not those that the stated error belongs to: "
        "calibrate again.");
  }
  const std::size_t count = station.warnings.size();
  if (count > 0 || verdict.level == "good") {
    lines.push_back(count == 0   ? std::string("No warnings.")
                    : count == 1 ? std::string("One warning, below.")
                                 : fmt::format("{} warnings, below.", count));
  }
  return {{"level", verdict.level}, {"headline", verdict.headline}, {"lines", lines}};
}

}  // namespace trueplate::cli
