#include "cli/lens_options.h"

#include <fmt/format.h>

#include "calib/base/text.h"
#include "cli/plate_options.h"

namespace trueplate::cli {
void add_lens_options(CLI::App& app, LensOptions& options, const std::string& focal_help) {
  const OptionsUnder heading(app, "The lens");
  app.add_option("--film-back", options.film_back, "sensor area of the frame, such as 24.89x14mm")
      ->type_name("WxH");
  app.add_option("--pixel-aspect", options.pixel_aspect, "width over height of a pixel as shown")
      ->check(finite_range(0.05, 20.0))
      ->type_name("F");
  app.add_option("--squeeze", options.squeeze, "anamorphic ratio of the lens, such as 2.0")
      ->check(finite_range(0.25, 4.0))
      ->type_name("F");
  app.add_option("--focal", options.focal, focal_help)->type_name("LENGTH");
  app.add_option("--focus", options.focus, "focus distance, such as 2.5m or inf; a label")
      ->type_name("LENGTH");
  app.add_option("--t-stop", options.t_stop, "T-stop, such as 4; a label")
      ->check(finite_range(0.1, 1000.0))
      ->type_name("F");
  app.add_option("--body", options.labels.body, "camera body; a label")->type_name("TEXT");
  app.add_option("--lens", options.labels.lens, "lens; a label")->type_name("TEXT");
  app.add_option("--serial", options.labels.serial, "serial number of the lens; a label")
      ->type_name("TEXT");
}

Result<LensLengths> lengths_of(const LensOptions& options) {
  LensLengths lengths;
  if (!options.focal.empty() && options.film_back.empty()) {
    return fail(ErrorCode::kInvalidInput,
                "--focal: a focal length in mm means nothing without the film back; add "
                "--film-back, such as --film-back 24.89x14mm");
  }
  if (!options.film_back.empty()) {
    const Result<lens::FilmBack> film_back = parse_film_back(options.film_back);
    if (!film_back) return fail(film_back.error());
    lengths.film_back = *film_back;
  }
  if (!options.focal.empty()) {
    const Result<double> focal = parse_length_mm(options.focal);
    if (!focal) {
      return fail(ErrorCode::kInvalidInput, fmt::format("--focal: {}", focal.error().message));
    }
    lengths.focal_mm = *focal;
  }
  if (!options.focus.empty()) {
    const Result<double> focus = parse_length_mm(options.focus, InfinityPolicy::kAllow);
    if (!focus) {
      return fail(ErrorCode::kInvalidInput, fmt::format("--focus: {}", focus.error().message));
    }
    lengths.focus_m = *focus / 1000.0;
  }
  return lengths;
}

}  // namespace trueplate::cli
