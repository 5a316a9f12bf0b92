#include "calib/exchange/detail/parts.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <utility>

#include "calib/base/timestamp.h"
#include "calib/base/utf8.h"

namespace trueplate::exchange::detail {
namespace {

using profile::Profile;
using profile::Station;

std::string labelled(std::string_view what, const std::string& text) {
  return text.empty() ? std::string() : fmt::format("{} '{}'", what, printable(text));
}

std::string numbered(std::string_view what, std::optional<double> value, std::string_view unit) {
  return value ? fmt::format("{} {:.6g}{}", what, *value, unit) : std::string();
}

std::string uncertainty_words(const Station& station) {
  if (!station.uncertainty) return {};
  return fmt::format("the covariance of the {} parameters", station.uncertainty->parameters.size());
}

std::string map_sigma_words(const Station& station) {
  if (!station.quality || !station.quality->map_sigma_rms_px) return {};
  return fmt::format("the map's standard deviation ({:.4f} px rms, {:.4f} px at worst)",
                     *station.quality->map_sigma_rms_px,
                     station.quality->map_sigma_max_px.value_or(0.0));
}

std::string quality_words(const Station& station) {
  if (!station.quality) return {};
  return fmt::format("how well the fit meets its {} frames (rms {:.4f} px)",
                     station.quality->num_frames_used,
                     station.quality->rms_px);
}

std::string warning_words(const Station& station) {
  if (station.warnings.empty()) return {};
  std::string codes;
  for (const Warning& warning : station.warnings) {
    codes += (codes.empty() ? "" : ", ") + printable(warning.code);
  }
  return fmt::format("{} warnings of the calibration ({})", station.warnings.size(), codes);
}

/// The phrase for a part; empty when the profile does not know it.
std::string words_of(Part part, const Profile& profile, const Station& station) {
  const lens::Lens& lens = station.lens;
  switch (part) {
    case Part::kBody:
      return labelled("camera body", profile.labels.body);
    case Part::kLensName:
      return labelled("lens", profile.labels.lens);
    case Part::kSerial:
      return labelled("serial number", profile.labels.serial);
    case Part::kOwner:
      return labelled("owner", profile.labels.owner);
    case Part::kNotes:
      return labelled("notes", profile.labels.notes);
    case Part::kNominalFocal:
      return numbered("nominal focal length", station.nominal_focal_mm, " mm");
    case Part::kFocus:
      return numbered("focus distance", station.focus_m, " m");
    case Part::kTStop:
      return numbered("T-stop", station.t_stop, "");
    case Part::kEntrancePupil:
      return numbered("entrance pupil", station.entrance_pupil_mm, " mm from the image plane");
    case Part::kFilmBack:
      return lens.film_back ? fmt::format("film back {:.6g} x {:.6g} mm",
                                          lens.film_back->width_mm,
                                          lens.film_back->height_mm)
                            : std::string();
    case Part::kPixelAspect:
      return lens.pixel_aspect != 1.0 ? numbered("pixel aspect", lens.pixel_aspect, "")
                                      : std::string();
    case Part::kSqueeze:
      return lens.squeeze != 1.0 ? numbered("squeeze", lens.squeeze, "") : std::string();
    case Part::kUncertainty:
      return uncertainty_words(station);
    case Part::kMapSigma:
      return map_sigma_words(station);
    case Part::kQuality:
      return quality_words(station);
    case Part::kChannels:
      return station.channels ? "the lenses of red and blue" : "";
    case Part::kWarnings:
      return warning_words(station);
    case Part::kChart:
      return profile.chart || station.chart_as_found ? "the chart it was calibrated with" : "";
    case Part::kMethod:
      return profile.provenance.method.empty() ? "" : "how it was calibrated";
    case Part::kFootage:
      return profile.provenance.footage.empty()
                 ? std::string()
                 : fmt::format("names and hashes of the {} frames it was made from",
                               profile.provenance.footage.size());
    case Part::kOtherStations:
      return profile.stations.size() > 1
                 ? fmt::format("the other {} stations", profile.stations.size() - 1)
                 : std::string();
  }
  return {};
}

constexpr std::array kAllParts{
    Part::kBody,         Part::kLensName, Part::kSerial,      Part::kOwner,         Part::kNotes,
    Part::kNominalFocal, Part::kFocus,    Part::kTStop,       Part::kEntrancePupil, Part::kFilmBack,
    Part::kPixelAspect,  Part::kSqueeze,  Part::kUncertainty, Part::kMapSigma,      Part::kQuality,
    Part::kChannels,     Part::kWarnings, Part::kChart,       Part::kMethod,        Part::kFootage,
    Part::kOtherStations};

void put_in(std::string& label, const std::string& known) {
  if (!known.empty()) label = known;
}

template <class T>
void put_in(std::optional<T>& value, const std::optional<T>& known) {
  if (known) value = known;
}

}  // namespace

std::vector<std::string> not_carried(const Profile& profile,
                                     const Station& station,
                                     std::span<const Part> carried) {
  std::vector<std::string> phrases;
  for (const Part part : kAllParts) {
    if (std::find(carried.begin(), carried.end(), part) != carried.end()) continue;
    std::string words = words_of(part, profile, station);
    if (!words.empty()) phrases.push_back(std::move(words));
  }
  return phrases;
}

Result<Taken> taken_lens(Taken taken,
                         const lens::Lens& lens,
                         const Known& known,
                         const std::string& origin) {
  Profile& profile = taken.profile;
  if (profile.stations.empty()) profile.stations.emplace_back();
  Station& station = profile.stations.front();
  station.lens = lens;
  put_in(station.lens.film_back, known.film_back);
  if (known.pixel_aspect) station.lens.pixel_aspect = *known.pixel_aspect;
  if (known.squeeze) station.lens.squeeze = *known.squeeze;
  put_in(station.nominal_focal_mm, known.nominal_focal_mm);
  put_in(station.focus_m, known.focus_m);
  put_in(station.t_stop, known.t_stop);
  put_in(profile.labels.body, known.labels.body);
  put_in(profile.labels.lens, known.labels.lens);
  put_in(profile.labels.serial, known.labels.serial);
  const std::string now = utc_timestamp(std::chrono::system_clock::now());
  const std::string read_from = fmt::format("read on {} from {}", now.substr(0, 10), origin);
  if (!is_utc_timestamp(profile.provenance.created)) profile.provenance.created = now;
  profile.provenance.program = "trueplate";
  profile.provenance.program_version = known.program_version;
  profile.provenance.method =
      taken.fidelity.refitted
          ? fmt::format("{}; fitted to its field: rms {:.4f} px, largest miss {:.4f} px",
                        read_from,
                        taken.fidelity.rms_px,
                        taken.fidelity.max_px)
          : read_from;
  if (Result<void> valid = profile::validate(profile); !valid) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("as a lens profile: {}", valid.error().message));
  }
  const double share = lens::invertible_share_of_border(station.lens);
  if (share < 1.0) {
    taken.warnings.push_back(
        {"plate-not-covered",
         fmt::format("the lens folds inside the plate: {:.1f} % of its border can be straightened; "
                     "are the coefficients those of this plate, in this order?",
                     100.0 * share),
         share});
  }
  station.warnings = taken.warnings;
  return taken;
}

}  // namespace trueplate::exchange::detail
