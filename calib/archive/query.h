#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"

namespace trueplate::archive {

/// A calibration is "35 mm" when its focal lengths, from the shortest to the longest and this share
/// beyond, hold 35 mm: barrels are numbered roundly.
inline constexpr double kFocalShare = 0.03;
/// It is "near 2 m" when its focus distances, in 1/m from the farthest to the nearest and this much
/// beyond, hold 1/2: what a lens does to the picture goes with 1/distance (docs/archive.md).
inline constexpr double kFocusPerMetre = 0.1;

/// What is looked for; conditions join with "and", absent ones let everything pass.
struct Query {
  /// Beginnings of words that have to stand somewhere among the labels: "ser" finds "serial".
  std::vector<std::string> words = {};
  /// Whole fields, ASCII letters of either case alike; an empty text looks for an empty field.
  std::optional<std::string> maker = std::nullopt;
  std::optional<std::string> model = std::nullopt;
  std::optional<std::string> series = std::nullopt;
  std::optional<std::string> serial = std::nullopt;
  std::optional<std::string> body = std::nullopt;
  std::optional<std::string> recording_mode = std::nullopt;
  std::optional<std::string> added_by = std::nullopt;
  std::optional<std::string> lens_model = std::nullopt;
  std::optional<std::string> footage_sha256 = std::nullopt;  // of a frame or file it was made from
  std::optional<double> focal_mm = std::nullopt;
  std::optional<double> focus_m = std::nullopt;  // infinity is legal
  std::optional<ImageSize> plate = std::nullopt;
  bool superseded = false;    // also those that a newer one took the place of
  bool oldest_first = false;  // default: newest first; with focus_m the nearest focus before that
  int most = 50;              // no more than these, 1 or more
};

/// Reads what a person types: lengths in mm are focal lengths, those in m, cm, ft or in, and `inf`,
/// focus distances; everything else is a word. `near`, `at` and `@` before a length are skipped,
/// and a unit may stand by itself: "35mm near 2 m", "vista 50mm @inf". Errors: two focal lengths or
/// two distances, also where the query has one; words without any letter or digit.
Result<void> add_words(std::span<const std::string> arguments, Query& query);

}  // namespace trueplate::archive
