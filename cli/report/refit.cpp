#include "cli/report/refit.h"

#include <fmt/format.h>

#include <string>
#include <utility>

#include "calib/calibrate.h"
#include "calib/compare/lens_change.h"
#include "calib/footage/observations.h"
#include "cli/command.h"

namespace trueplate::cli {
namespace {

CalibrateOptions options_for(const profile::Profile& profile,
                             const profile::Station& station,
                             const std::vector<target::View>& views,
                             int threads) {
  const lens::Lens& lens = station.lens;
  CalibrateOptions options;
  options.fit.model = std::string(lens::model_name(lens.model));
  options.fit.held_out_folds = 0;
  options.fit.threads = threads;
  options.fit.interrupt = &interrupt_flag();
  options.accept_fold = true;
  options.pixel_aspect = lens.pixel_aspect;
  // The start is stated as a length: on a film back of any size one that comes to the focal length
  // in pixels, whatever the squeeze.
  constexpr double kFocalMm = 50.0;
  options.nominal_focal_mm = kFocalMm;
  options.film_back = lens::FilmBack{kFocalMm * lens.plate_size.width / lens.focal_px.x(),
                                     kFocalMm * lens.plate_size.height / lens.focal_px.y()};
  if (station.uncertainty && profile::sigma(*station.uncertainty, "focal_x_px") == 0.0) {
    options.fit.focal_mode = fit::FocalMode::kFixed;
  }
  for (const profile::FootageItem& item : profile.provenance.footage) {
    if (item.used) continue;
    for (std::size_t i = 0; i < views.size(); ++i) {
      if (views[i].frame == item.name) options.fit.left_out[i] = item.reason;
    }
  }
  return options;
}

}  // namespace

Result<Refit> refit(const profile::Profile& profile,
                    const profile::Station& station,
                    const std::filesystem::path& observations,
                    int threads) {
  Result<footage::Observations> read = footage::read_observations(observations);
  if (!read) return fail(read.error());
  const ImageSize& plate = station.lens.plate_size;
  const ImageSize seen = read->views.front().plate_size;
  if (seen != plate) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: is of a plate of {}x{} pixels, the profile of one of {}x{}; give "
                            "the observations that it was fitted to",
                            observations.string(),
                            seen.width,
                            seen.height,
                            plate.width,
                            plate.height));
  }
  Result<Calibration> again =
      calibrate(observations, options_for(profile, station, read->views, threads));
  if (!again) return fail(again.error());
  Refit result{std::move(read->views), std::move(again->fit), {}};
  const auto change = compare::lens_change(station, again->profile.stations.front());
  if (!change || change->after.max_px > kSameLensPx) {
    result.warnings.push_back(
        {"other-observations",
         change ? fmt::format("fitted to these observations the lens comes out {:.3f} px away from "
                              "the profile's at the worst place: they are not, or not all, what it "
                              "was made from. Residuals, coverage and predicted error are those of "
                              "the observations",
                              change->after.max_px)
                : change.error().message,
         change ? change->after.max_px : 0.0});
  }
  return result;
}

}  // namespace trueplate::cli
