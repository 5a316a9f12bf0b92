#pragma once

#include <optional>
#include <string>

#include "calib/base/result.h"
#include "calib/lens/film_back.h"
#include "calib/profile/profile.h"
#include "cli/command.h"

namespace trueplate::cli {

/// What a user knows of the lens and its camera; the same words for every command that makes a
/// profile.
struct LensOptions {
  std::string film_back;
  std::string focal;
  std::string focus;
  std::optional<double> pixel_aspect;
  std::optional<double> t_stop;
  double squeeze = 1.0;
  profile::Labels labels;
};

/// `focal_help` says what --focal means to the command.
void add_lens_options(CLI::App& app, LensOptions& options, const std::string& focal_help);

/// Those that are lengths, read.
struct LensLengths {
  std::optional<lens::FilmBack> film_back;
  std::optional<double> focal_mm;
  std::optional<double> focus_m;
};
/// Errors: a text that is no length or size; a focal length without a film back.
Result<LensLengths> lengths_of(const LensOptions& options);

}  // namespace trueplate::cli
