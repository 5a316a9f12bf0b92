#include "calib/exchange/open_track_io.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/timestamp.h"
#include "calib/base/utf8.h"
#include "calib/exchange/detail/parts.h"
#include "calib/exchange/detail/refit.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/rational.h"
#include "calib/profile/describe.h"

namespace trueplate::exchange {
namespace {

using detail::Part;
using detail::Refit;
using detail::StatedField;

constexpr std::size_t kNumRadial = 6;
constexpr double kLargestCoefficient = 1e6;  // that a profile may hold
constexpr std::array<std::string_view, 3> kForms{
    lens::RadialTangential::kName, lens::Rational::kName, lens::RadialFreeCentre::kName};
constexpr std::array kCarried{Part::kBody,
                              Part::kLensName,
                              Part::kSerial,
                              Part::kNominalFocal,
                              Part::kFocus,
                              Part::kTStop,
                              Part::kEntrancePupil,
                              Part::kFilmBack};

constexpr double kMmPerM = 1000.0;

/// k1 .. k6, p1, p2 of lens::Rational, and the distortion offset on the plane z = 1.
struct Coefficients {
  std::array<double, 8> values{};
  Point2d offset = {0.0, 0.0};
};

Coefficients coefficients_of(const lens::Model& model) {
  const std::span<const double> p = lens::parameters(model);
  Coefficients result;
  std::array<double, 8>& v = result.values;
  std::copy_n(p.begin(), 3, v.begin());
  if (std::holds_alternative<lens::Rational>(model)) {
    std::copy(p.begin(), p.end(), v.begin());
  } else if (std::holds_alternative<lens::RadialTangential>(model)) {
    v[6] = p[3];
    v[7] = p[4];
  } else {
    result.offset = {p[3], p[4]};
  }
  return result;
}

/// The standard's numbers (OpenLensIO 1.0.0, equation 16): x = e / F on the plane z = 1.
LensSampleDistortion distortion_of(const Coefficients& c, double focal_mm) {
  LensSampleDistortion distortion;
  distortion.model = kUndistortedToDistorted;
  double scale = 1.0;
  for (std::size_t n = 0; n < 3; ++n) {
    scale /= focal_mm * focal_mm;
    distortion.radial.push_back(c.values[n] * scale);
    distortion.radial.push_back(c.values[3 + n] * scale);
  }
  distortion.tangential = {c.values[6] / focal_mm, c.values[7] / focal_mm};
  return distortion;
}

std::array<double, 8> values_of(const LensSampleDistortion& distortion,
                                double focal_mm,
                                TangentialUnit unit) {
  std::array<double, 8> v{};
  double scale = 1.0;
  for (std::size_t n = 0; n < 3; ++n) {
    scale *= focal_mm * focal_mm;
    const std::size_t at = 2 * n;
    if (at < distortion.radial.size()) v[n] = distortion.radial[at] * scale;
    if (at + 1 < distortion.radial.size()) v[3 + n] = distortion.radial[at + 1] * scale;
  }
  const double of_tangential = unit == TangentialUnit::kPerMm ? focal_mm : focal_mm * focal_mm;
  for (std::size_t n = 0; n < 2 && n < distortion.tangential.size(); ++n) {
    v[6 + n] = distortion.tangential[n] * of_tangential;
  }
  return v;
}

/// The largest overscan of the straightened plate (equations 23 and 24), of both ways to render:
/// about the sensor's middle, and about the principal point.
std::optional<double> overscan_of(const lens::Lens& lens) {
  const Point2d size(lens.plate_size.width, lens.plate_size.height);
  double factor = 1.0;
  for (const Point2d& place : detail::border_places(lens.plate_size)) {
    const std::optional<Point2d> p = lens::undistort_px(lens, place);
    if (!p) return std::nullopt;
    for (const Point2d& centre : {Point2d(0.5 * size), lens.principal_point_px}) {
      factor = std::max(factor, (2.0 * (*p - centre)).cwiseQuotient(size).cwiseAbs().maxCoeff());
    }
  }
  return factor;
}

/// What the file says of its own making.
std::vector<std::string> history_of(const profile::Profile& profile,
                                    const profile::Station& station,
                                    const Written& written) {
  std::vector<std::string> history;
  history.push_back(fmt::format(
      "{} {} with {} {}, model {}{}",
      profile::made_words(profile),
      profile.provenance.created,
      profile.provenance.program,
      profile.provenance.program_version,
      lens::model_name(station.lens.model),
      station.quality ? fmt::format(", rms {:.4f} px", station.quality->rms_px) : std::string()));
  if (written.fidelity.refitted) {
    history.push_back(fmt::format("fitted in the form of this file: {} px rms, {} px at worst",
                                  written.fidelity.rms_px,
                                  written.fidelity.max_px));
  }
  for (const std::string& phrase : written.not_carried) {
    history.push_back(fmt::format("not carried: {}", phrase));
  }
  return history;
}

/// The day of the numbers, where an entry of history_of() states it; else empty.
std::string created_in(const std::vector<std::string>& history) {
  constexpr std::size_t kLength = std::string_view("2031-05-04T10:20:30Z").size();
  for (const std::string& entry : history) {
    for (const std::string_view words : {"calibrated ", "profile made "}) {
      if (!entry.starts_with(words)) continue;
      const std::string created = entry.substr(words.size(), kLength);
      if (is_utc_timestamp(created)) return created;
    }
  }
  return {};
}

/// The lens as U-D coefficients with one focal length.
LensSample sample_of(const lens::Lens& lens, const lens::FilmBack& film_back) {
  const double w = lens.plate_size.width;
  const double h = lens.plate_size.height;
  const double focal = lens.focal_px.x() * film_back.width_mm / w;
  LensSample sample;
  sample.sensor_px = lens.plate_size;
  sample.sensor_mm =
      lens::FilmBack{.width_mm = film_back.width_mm, .height_mm = focal * h / lens.focal_px.y()};
  sample.focal_mm = focal;
  const Point2d mm_per_px(sample.sensor_mm->width_mm / w, sample.sensor_mm->height_mm / h);
  sample.projection_offset_mm =
      (lens.principal_point_px - 0.5 * Point2d(w, h)).cwiseProduct(mm_per_px);
  const Coefficients coefficients = coefficients_of(lens.model);
  sample.distortion_offset_mm = focal * coefficients.offset;
  sample.distortion = {distortion_of(coefficients, focal)};
  sample.distortion.front().overscan = overscan_of(lens);
  return sample;
}

// ---------------------------------------------------------------------------------------------
// Reading

/// The pinhole and the sensor of a sample.
struct Frame {
  lens::Lens lens;
  double focal_mm = 0.0;
  Point2d px_per_mm;
  Point2d offset_mm;  // of the distortion
};

Error missing(std::string_view source, std::string_view what, std::string_view option) {
  return {ErrorCode::kUndetermined, fmt::format("{}: does not say {}; {}", source, what, option)};
}

Result<Frame> frame_of(const LensSample& sample, const Known& known, std::string_view source) {
  const std::optional<ImageSize> size = known.plate_size ? known.plate_size : sample.sensor_px;
  const std::optional<lens::FilmBack> sensor = known.film_back ? known.film_back : sample.sensor_mm;
  if (!size) {
    return fail(missing(source,
                        "the plate's size (static.camera.activeSensorResolution)",
                        "give it with --size, such as --size 1920x1080"));
  }
  if (!sensor) {
    return fail(missing(source,
                        "the sensor's size (static.camera.activeSensorPhysicalDimensions)",
                        "give it with --film-back, such as --film-back 24.89x14mm"));
  }
  if (!sample.focal_mm) {
    return fail(missing(source, "lens.pinholeFocalLength", "a lens cannot be had from it"));
  }
  Frame frame;
  const Point2d extent_px(size->width, size->height);
  frame.focal_mm = *sample.focal_mm;
  frame.px_per_mm = extent_px.cwiseQuotient(Point2d(sensor->width_mm, sensor->height_mm));
  frame.offset_mm = sample.distortion_offset_mm.value_or(Point2d(0.0, 0.0));
  frame.lens.plate_size = *size;
  frame.lens.film_back = *sensor;
  frame.lens.squeeze = sample.squeeze.value_or(1.0);
  frame.lens.focal_px = frame.focal_mm * frame.px_per_mm;
  frame.lens.pixel_aspect = frame.lens.focal_px.y() / frame.lens.focal_px.x();
  // Measured ratios differ from those of pixels by little: a label is not made of that.
  if (std::abs(frame.lens.pixel_aspect - 1.0) < 0.02) frame.lens.pixel_aspect = 1.0;
  frame.lens.principal_point_px =
      0.5 * extent_px +
      sample.projection_offset_mm.value_or(Point2d(0.0, 0.0)).cwiseProduct(frame.px_per_mm);
  if (Result<void> valid = lens::validate(frame.lens); !valid) {
    return fail(ErrorCode::kInvalidInput, fmt::format("{}: {}", source, valid.error().message));
  }
  return frame;
}

/// The object to read: U-D before D-U, which would have to be turned round.
Result<const LensSampleDistortion*> chosen(const LensSample& sample, std::string_view source) {
  const LensSampleDistortion* found = nullptr;
  std::string models;
  for (const LensSampleDistortion& distortion : sample.distortion) {
    models += fmt::format("{}'{}'", models.empty() ? "" : ", ", printable(distortion.model));
    const bool forward = distortion.model == kUndistortedToDistorted;
    if (!forward && distortion.model != kDistortedToUndistorted) continue;
    if (found == nullptr || (forward && found->model != kUndistortedToDistorted)) {
      found = &distortion;
    }
  }
  if (found == nullptr) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: lens.distortion is of the model {}; wanted '{}' or '{}'",
                            source,
                            models,
                            kUndistortedToDistorted,
                            kDistortedToUndistorted));
  }
  const auto is_zero = [](double value) { return value == 0.0; };
  const auto excess = [&](const std::vector<double>& terms, std::size_t most) {
    return terms.size() > most &&
           !std::all_of(terms.begin() + static_cast<std::ptrdiff_t>(most), terms.end(), is_zero);
  };
  if (excess(found->radial, kNumRadial) || excess(found->tangential, 2)) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: lens.distortion has {} radial and {} tangential terms; wanted at "
                            "most 6 and 2, those of OpenLensIO 1.0.0",
                            source,
                            found->radial.size(),
                            found->tangential.size()));
  }
  return found;
}

/// Where the formula takes a place of the plane, about the distortion's centre; both in px.
Point2d moved(const Frame& frame, const std::array<double, 8>& values, const Point2d& p_px) {
  const lens::Lens& lens = frame.lens;
  const Point2d offset = frame.offset_mm / frame.focal_mm;
  const Point2d from = lens::ideal_from_px(lens, p_px) - offset;
  return lens::px_from_ideal(lens, lens::Rational::distort(from, values.data()) + offset);
}

/// A model of ours that has this form exactly; nullopt where none has.
std::optional<lens::Model> same_form(const Frame& frame, const std::array<double, 8>& v) {
  const bool polynomial = v[3] == 0.0 && v[4] == 0.0 && v[5] == 0.0;
  if (frame.offset_mm.isZero(0.0)) {
    if (!polynomial) return lens::Rational(v);
    return lens::RadialTangential({v[0], v[1], v[2], v[6], v[7]});
  }
  if (!polynomial || v[6] != 0.0 || v[7] != 0.0) return std::nullopt;
  const Point2d c = frame.offset_mm / frame.focal_mm;
  return lens::RadialFreeCentre({v[0], v[1], v[2], c.x(), c.y()});
}

Result<Refit> lens_of(const Frame& frame,
                      const LensSampleDistortion& distortion,
                      const std::array<double, 8>& values,
                      const std::string& model) {
  const bool forward = distortion.model == kUndistortedToDistorted;
  if (forward) {
    if (const std::optional<lens::Model> same = same_form(frame, values)) {
      Refit refit{frame.lens, {.model = std::string(lens::model_name(*same))}};
      refit.lens.model = *same;
      return refit;
    }
  }
  const auto function = [&](const Point2d& p) -> std::optional<Point2d> {
    const Point2d q = moved(frame, values, p);
    return q.allFinite() ? std::optional(q) : std::nullopt;
  };
  const StatedField field = forward ? StatedField{.plate_from_straight = function}
                                    : StatedField{.straight_from_plate = function};
  return detail::lens_of_field(field, frame.lens, model);
}

/// Refuses numbers that no lens has, by their names in the file.
Result<void> within_limit(const LensSampleDistortion& distortion,
                          const std::array<double, 8>& values,
                          double focal_mm,
                          std::string_view source) {
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (std::abs(values[i]) <= kLargestCoefficient) continue;
    const bool tangential = i >= kNumRadial;
    const std::size_t at = tangential ? i - kNumRadial : i < 3 ? 2 * i : 2 * i - kNumRadial + 1;
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("{}: lens.distortion: {}[{}] is {:g}, which at the focal length of {:g} mm is "
                    "{:.3g} on the plane z = 1, wanted at most {:g}: no lens has such; wanted "
                    "are powers of 1/mm. Placeholders such as 1, 2, 3, as in the published "
                    "examples, are no lens",
                    source,
                    tangential ? "tangential" : "radial",
                    at,
                    tangential ? distortion.tangential[at] : distortion.radial[at],
                    focal_mm,
                    values[i],
                    kLargestCoefficient));
  }
  return {};
}

/// What a reader of the file should look at twice.
std::vector<Warning> doubts(const Frame& frame,
                            const LensSampleDistortion& distortion,
                            TangentialUnit unit) {
  std::vector<Warning> warnings;
  if (distortion.radial.size() >= 2 && distortion.radial.size() <= 3 &&
      distortion.radial[1] != 0.0) {
    warnings.push_back({"radial-order",
                        fmt::format("{} radial numbers: read, as the standard has it, as numerator "
                                    "and denominator in turn; a plain polynomial is written with "
                                    "zeros between",
                                    distortion.radial.size()),
                        static_cast<double>(distortion.radial.size())});
  }
  const auto shift_px = [&](TangentialUnit of) {
    const std::array<double, 8> v = values_of(distortion, frame.focal_mm, of);
    const Point2d corner = lens::ideal_from_px(frame.lens, Point2d(0.0, 0.0));
    return std::hypot(v[6], v[7]) * corner.squaredNorm() * frame.lens.focal_px.x();
  };
  if (shift_px(TangentialUnit::kPerMm) > 0.0) {
    const double as_read = shift_px(unit);
    const double otherwise =
        shift_px(unit == TangentialUnit::kPerMm ? TangentialUnit::kPerMm2 : TangentialUnit::kPerMm);
    warnings.push_back(
        {"tangential-unit",
         fmt::format("the tangential terms, read in {}, move the corner by about {:.3g} px; a "
                     "producer that counts them in {} would mean {:.3g} px (--tangential-unit)",
                     unit == TangentialUnit::kPerMm ? "1/mm as the formula needs them" : "1/mm^2",
                     as_read,
                     unit == TangentialUnit::kPerMm ? "1/mm^2, as published texts say," : "1/mm",
                     otherwise),
         as_read});
  }
  return warnings;
}

/// Everything but the lens's own numbers.
Taken labels_of(const LensSample& sample) {
  const auto joined = [](const std::string& make, const std::string& model) {
    return make.empty() || model.empty() ? make + model : make + " " + model;
  };
  Taken taken;
  taken.profile.labels.body = joined(sample.camera_make, sample.camera_model);
  taken.profile.labels.lens = joined(sample.lens_make, sample.lens_model);
  taken.profile.labels.serial = sample.lens_serial;
  taken.profile.provenance.created = created_in(sample.calibration_history);
  profile::Station& station = taken.profile.stations.emplace_back();
  station.nominal_focal_mm = sample.nominal_focal_mm;
  station.focus_m = sample.focus_m;
  station.t_stop = sample.t_stop;
  if (sample.entrance_pupil_m) station.entrance_pupil_mm = kMmPerM * *sample.entrance_pupil_m;
  for (const std::string& entry : sample.calibration_history) {
    taken.profile.labels.notes +=
        (taken.profile.labels.notes.empty() ? "" : "; ") + printable(entry, 1023);
  }
  taken.not_carried = sample.beyond;
  return taken;
}

}  // namespace

Result<Written> open_track_io_of(const profile::Profile& profile, const profile::Station& station) {
  if (!station.lens.film_back) {
    return fail(
        ErrorCode::kUndetermined,
        "OpenTrackIO counts in mm, and the profile has no film back; give --film-back, such "
        "as --film-back 24.89x14mm");
  }
  Result<Refit> refit = detail::lens_in_form(station.lens, kForms);
  if (!refit) return fail(refit.error());
  Written written;
  written.fidelity = refit->fidelity;
  written.not_carried = detail::not_carried(profile, station, kCarried);
  LensSample sample = sample_of(refit->lens, *station.lens.film_back);
  const double height_mm = station.lens.film_back->height_mm;
  if (std::abs(sample.sensor_mm->height_mm / height_mm - 1.0) > 1e-12) {
    written.not_carried.push_back(
        fmt::format("the sensor's height of {:.6g} mm: {:.6g} mm is written, so that one focal "
                    "length holds for both axes",
                    height_mm,
                    sample.sensor_mm->height_mm));
  }
  if (station.focus_m && std::isinf(*station.focus_m)) {
    written.not_carried.emplace_back("focus at infinity, for which JSON has no number");
  } else {
    sample.focus_m = station.focus_m;
  }
  sample.t_stop = station.t_stop;
  if (station.entrance_pupil_mm) sample.entrance_pupil_m = *station.entrance_pupil_mm / kMmPerM;
  sample.nominal_focal_mm = station.nominal_focal_mm;
  sample.camera_model = profile.labels.body;
  sample.lens_model = profile.labels.lens;
  sample.lens_serial = profile.labels.serial;
  sample.calibration_history = history_of(profile, station, written);
  written.text = open_track_io_text(sample);
  return written;
}

Result<Taken> lens_from_sample(const LensSample& sample,
                               const Known& known,
                               std::string_view source) {
  const Result<Frame> frame = frame_of(sample, known, source);
  if (!frame) return fail(frame.error());
  Taken taken = labels_of(sample);
  const std::string origin = fmt::format("the OpenTrackIO file {}", printable(source));
  if (sample.distortion.empty()) {
    taken.warnings.push_back(
        {"no-distortion", "the file holds no lens.distortion: a lens without any was made", 0.0});
    taken.fidelity.model = lens::model_name(frame->lens.model);
    return detail::taken_lens(std::move(taken), frame->lens, known, origin);
  }
  const Result<const LensSampleDistortion*> distortion = chosen(sample, source);
  if (!distortion) return fail(distortion.error());
  if (sample.distortion.size() > 1) {
    taken.not_carried.push_back(
        fmt::format("the other {} of lens.distortion", sample.distortion.size() - 1));
  }
  const std::array<double, 8> values = values_of(**distortion, frame->focal_mm, known.tangential);
  if (Result<void> sane = within_limit(**distortion, values, frame->focal_mm, source); !sane) {
    return fail(sane.error());
  }
  const Result<Refit> refit = lens_of(*frame, **distortion, values, known.model);
  if (!refit) {
    return fail(refit.error().code, fmt::format("{}: {}", source, refit.error().message));
  }
  taken.fidelity = refit->fidelity;
  taken.warnings = doubts(*frame, **distortion, known.tangential);
  return detail::taken_lens(
      std::move(taken), refit->lens, known, origin + ", " + (**distortion).model);
}

}  // namespace trueplate::exchange
