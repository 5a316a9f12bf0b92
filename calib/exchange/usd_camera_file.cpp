#include "calib/exchange/usd_camera_file.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/exchange/detail/parts.h"
#include "calib/exchange/detail/refit.h"
#include "calib/plate/usd_camera.h"

namespace trueplate::exchange {
namespace {

using detail::Part;

constexpr std::array kCarried{Part::kBody,
                              Part::kLensName,
                              Part::kSerial,
                              Part::kNominalFocal,
                              Part::kFocus,
                              Part::kTStop,
                              Part::kEntrancePupil,
                              Part::kFilmBack,
                              Part::kPixelAspect,
                              Part::kSqueeze};
constexpr double kMmPerUnit = 100.0;  // of focal length and apertures, over metersPerUnit

/// Custom attributes, one a line.
class Custom {
 public:
  void text(std::string_view name, const std::string& value) {
    if (value.empty()) return;
    text_ += fmt::format("        custom string lens:{} = {}\n", name, plate::usd_quoted(value));
  }
  void number(std::string_view name, double value) {
    text_ += fmt::format("        custom double lens:{} = {}\n", name, to_lossless_text(value));
  }
  void pair(std::string_view name, double x, double y) {
    text_ += fmt::format("        custom double2 lens:{} = ({}, {})\n",
                         name,
                         to_lossless_text(x),
                         to_lossless_text(y));
  }
  void list(std::string_view name, std::span<const double> values) {
    std::string all;
    for (const double value : values) {
      all += (all.empty() ? "" : ", ") + to_lossless_text(value);
    }
    text_ += fmt::format("        custom double[] lens:{} = [{}]\n", name, all);
  }
  [[nodiscard]] const std::string& result() const { return text_; }

 private:
  std::string text_;
};

std::string custom_text(const profile::Profile& profile, const profile::Station& station) {
  const lens::Lens& lens = station.lens;
  Custom custom;
  custom.text("name", profile.labels.lens);
  custom.text("serial", profile.labels.serial);
  custom.text("cameraBody", profile.labels.body);
  custom.text("created", profile.provenance.created);
  if (station.nominal_focal_mm) custom.number("nominalFocalMm", *station.nominal_focal_mm);
  if (station.t_stop) custom.number("tStop", *station.t_stop);
  if (station.entrance_pupil_mm) custom.number("entrancePupilMm", *station.entrance_pupil_mm);
  custom.pair("plateSizePx", lens.plate_size.width, lens.plate_size.height);
  custom.number("pixelAspect", lens.pixel_aspect);
  custom.number("squeeze", lens.squeeze);
  if (lens.film_back) {
    custom.pair("filmBackMm", lens.film_back->width_mm, lens.film_back->height_mm);
  }
  custom.pair("focalPx", lens.focal_px.x(), lens.focal_px.y());
  custom.pair("principalPointPx", lens.principal_point_px.x(), lens.principal_point_px.y());
  custom.text("model", std::string(lens::model_name(lens.model)));
  custom.list("coefficients", lens::parameters(lens.model));
  return custom.result();
}

/// The lens without its distortion.
lens::Lens pinhole_of(lens::Lens lens) {
  lens.model = lens::Model();
  return lens;
}

// ---------------------------------------------------------------------------------------------
// Reading

/// The attributes of the first camera, name to value as written; the parser knows no more of USD
/// than lines `type name = value` between the camera's braces.
struct CameraText {
  std::map<std::string, std::string, std::less<>> values;
  std::vector<std::string> names;  // in order
  double meters_per_unit = 0.01;
};

/// The line without a comment.
std::string_view uncommented(std::string_view line) {
  bool quoted = false;
  for (std::size_t i = 0; i < line.size(); ++i) {
    if (line[i] == '\\') {
      ++i;
    } else if (line[i] == '"') {
      quoted = !quoted;
    } else if (line[i] == '#' && !quoted) {
      return line.substr(0, i);
    }
  }
  return line;
}

/// Braces opened less braces closed, outside quotes.
int braces(std::string_view line) {
  int depth = 0;
  bool quoted = false;
  for (std::size_t i = 0; i < line.size(); ++i) {
    if (line[i] == '\\') {
      ++i;
      continue;
    }
    if (line[i] == '"') quoted = !quoted;
    if (quoted) continue;
    if (line[i] == '{') ++depth;
    if (line[i] == '}') --depth;
  }
  return depth;
}

void take_attribute(std::string_view line, CameraText& camera) {
  constexpr std::size_t kMostNames = 1000;
  const std::size_t equals = line.find('=');
  if (equals == std::string_view::npos || camera.names.size() >= kMostNames) return;
  std::string_view left = trim(line.substr(0, equals));
  const std::size_t blank = left.rfind(' ');
  if (blank == std::string_view::npos) return;
  const std::string name(left.substr(blank + 1));
  camera.names.push_back(name);
  camera.values.emplace(name, trim(line.substr(equals + 1)));
}

Result<CameraText> camera_of(std::string_view text, std::string_view source) {
  const auto unreadable = [&](std::string_view message) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: {}", source, message));
  };
  if (text.size() > kMaxUsdBytes) return unreadable("is larger than any camera");
  if (!text.starts_with("#usda 1.0")) {
    return unreadable("does not begin with '#usda 1.0'; wanted USD in text form");
  }
  CameraText camera;
  int depth = 0;
  int camera_depth = -1;  // of its attributes
  for (const std::string_view raw : split(text, '\n')) {
    const std::string_view line = trim(uncommented(raw));
    if (depth == 0 && line.starts_with("metersPerUnit")) {
      const std::optional<double> value = parse_number(line.substr(line.find('=') + 1));
      if (!value || !(*value > 1e-6) || *value > 1e6) return unreadable("metersPerUnit is no unit");
      camera.meters_per_unit = *value;
    }
    if (camera_depth < 0 && line.starts_with("def Camera")) camera_depth = depth + 1;
    if (camera_depth >= 0 && depth == camera_depth) take_attribute(line, camera);
    depth += braces(line);
    if (camera_depth >= 0 && depth < camera_depth && line.find('}') != std::string_view::npos) {
      return camera;
    }
  }
  return unreadable(camera_depth < 0 ? "holds no camera (def Camera)"
                                     : "the camera has no end: the text is cut off");
}

class Attributes {
 public:
  Attributes(const CameraText& camera, std::string_view source)
      : camera_(camera), source_(source) {}

  [[nodiscard]] Error error(std::string_view name, std::string_view message) const {
    return {ErrorCode::kUnreadable, fmt::format("{}: {} {}", source_, name, message)};
  }

  [[nodiscard]] bool has(std::string_view name) const { return camera_.values.contains(name); }

  /// `count` numbers, in whatever brackets; 0: any number of them.
  Result<std::vector<double>> numbers(std::string_view name, std::size_t count) const {
    constexpr std::size_t kMost = 4096;
    if (camera_.values.contains(std::string(name) + ".timeSamples")) {
      return fail({ErrorCode::kUnsupported,
                   error(name, "is animated; keep one frame in a file of its own").message});
    }
    const auto found = camera_.values.find(name);
    if (found == camera_.values.end()) return fail(error(name, "is missing"));
    std::string_view value = found->second;
    if (const std::size_t metadata = value.find(" ("); count == 1)
      value = value.substr(0, metadata);
    if (!value.empty() && (value.front() == '(' || value.front() == '[')) {
      value = value.substr(1, value.find_first_of(")]") - 1);
    }
    std::vector<double> numbers;
    for (const std::string_view item : split(value, ',')) {
      const std::optional<double> number = parse_number(item);
      if (!number || numbers.size() == kMost) {
        return fail(error(name, fmt::format("is '{}', wanted numbers", printable(value))));
      }
      numbers.push_back(*number);
    }
    if (count != 0 && numbers.size() != count) {
      return fail(error(name, fmt::format("has {} numbers, wanted {}", numbers.size(), count)));
    }
    return numbers;
  }

  [[nodiscard]] double number_or(std::string_view name, double otherwise) const {
    const Result<std::vector<double>> value = numbers(name, 1);
    return value ? value->front() : otherwise;
  }

  [[nodiscard]] std::string text(std::string_view name) const {
    const auto found = camera_.values.find(name);
    if (found == camera_.values.end()) return {};
    const std::string& value = found->second;
    if (value.size() < 2 || value.front() != '"') return {};
    std::string result;
    for (std::size_t i = 1; i < value.size() && value[i] != '"'; ++i) {
      if (value[i] == '\\' && i + 1 < value.size()) ++i;
      result += value[i];
    }
    return printable(result, 1000);
  }

 private:
  const CameraText& camera_;
  std::string_view source_;
};

/// Sizes from the standard attributes, in mm.
struct Pinhole {
  double focal = 0.0;
  Point2d aperture = {0.0, 0.0};
  Point2d offset = {0.0, 0.0};
};
Result<Pinhole> pinhole_mm(const Attributes& attributes, double meters_per_unit) {
  const double scale = kMmPerUnit * meters_per_unit;
  Pinhole pinhole;
  const std::array<std::pair<std::string_view, double*>, 3> wanted{
      {{"focalLength", &pinhole.focal},
       {"horizontalAperture", &pinhole.aperture.x()},
       {"verticalAperture", &pinhole.aperture.y()}}};
  for (const auto& [name, target] : wanted) {
    const Result<std::vector<double>> value = attributes.numbers(name, 1);
    if (!value) return fail(value.error());
    *target = scale * value->front();
    if (!(*target >= 0.1 && *target <= 1e5)) {
      return fail(attributes.error(name, fmt::format("is {} mm; no camera has that", *target)));
    }
  }
  pinhole.offset = scale * Point2d(attributes.number_or("horizontalApertureOffset", 0.0),
                                   attributes.number_or("verticalApertureOffset", 0.0));
  return pinhole;
}

Result<ImageSize> plate_size(const Attributes& attributes,
                             const Known& known,
                             std::string_view source) {
  if (known.plate_size) return *known.plate_size;
  if (!attributes.has("lens:plateSizePx")) {
    return fail(ErrorCode::kUndetermined,
                fmt::format("{}: a USD camera has no plate size; give it with --size, such as "
                            "--size 1920x1080",
                            source));
  }
  const Result<std::vector<double>> size = attributes.numbers("lens:plateSizePx", 2);
  if (!size) return fail(size.error());
  for (const double side : *size) {
    if (side >= 1.0 && side <= kMaxImageSide && side == std::floor(side)) continue;
    return fail(attributes.error("lens:plateSizePx", "is no size in whole pixels"));
  }
  return ImageSize{static_cast<int>((*size)[0]), static_cast<int>((*size)[1])};
}

/// Pixels and distortion that custom attributes state exactly.
Result<void> put_custom(const Attributes& attributes, lens::Lens& lens) {
  if (!attributes.has("lens:model")) return {};
  const Result<std::vector<double>> focal = attributes.numbers("lens:focalPx", 2);
  if (!focal) return fail(focal.error());
  const Result<std::vector<double>> principal = attributes.numbers("lens:principalPointPx", 2);
  if (!principal) return fail(principal.error());
  const Result<std::vector<double>> values = attributes.numbers("lens:coefficients", 0);
  if (!values) return fail(values.error());
  for (const double value : *values) {
    if (std::abs(value) <= 1e6) continue;
    return fail(attributes.error("lens:coefficients", "holds a number beyond any lens"));
  }
  const Result<lens::Model> model = lens::make_model(attributes.text("lens:model"), *values);
  if (!model) return fail(attributes.error("lens:model:", model.error().message));
  lens.film_back.reset();
  if (attributes.has("lens:filmBackMm")) {
    const Result<std::vector<double>> film_back = attributes.numbers("lens:filmBackMm", 2);
    if (!film_back) return fail(film_back.error());
    lens.film_back = lens::FilmBack{(*film_back)[0], (*film_back)[1]};
  }
  lens.focal_px = {(*focal)[0], (*focal)[1]};
  lens.principal_point_px = {(*principal)[0], (*principal)[1]};
  lens.model = *model;
  return {};
}

Result<lens::Lens> lens_of(const Attributes& attributes, const Pinhole& pinhole, ImageSize size) {
  lens::Lens lens;
  lens.plate_size = size;
  const Point2d extent(size.width, size.height);
  const Point2d px_per_mm = extent.cwiseQuotient(pinhole.aperture);
  lens.focal_px = pinhole.focal * px_per_mm;
  // The offset moves the picture right and up, so the axis left and down.
  lens.principal_point_px =
      0.5 * extent + Point2d(-pinhole.offset.x(), pinhole.offset.y()).cwiseProduct(px_per_mm);
  lens.film_back = lens::FilmBack{pinhole.aperture.x(), pinhole.aperture.y()};
  lens.pixel_aspect = attributes.number_or("lens:pixelAspect", 1.0);
  lens.squeeze = attributes.number_or("lens:squeeze", 1.0);
  if (Result<void> custom = put_custom(attributes, lens); !custom) return fail(custom.error());
  if (Result<void> valid = lens::validate(lens); !valid) {
    return fail(attributes.error("the camera:", valid.error().message));
  }
  return lens;
}

}  // namespace

Result<Written> usd_camera_of(const profile::Profile& profile, const profile::Station& station) {
  const plate::CameraApertures apertures = plate::apertures_of(station.lens);
  if (!(apertures.focal_mm < 1e30) || !(apertures.height_mm < 1e30)) {
    return fail(ErrorCode::kInvalidInput, "the camera's numbers do not fit a float");
  }
  Written written;
  written.fidelity.model = lens::model_name(station.lens.model);
  written.not_carried = detail::not_carried(profile, station, kCarried);
  if (!station.lens.film_back) {
    written.not_carried.push_back(
        fmt::format("that the film back is not known: the apertures are those of a picture {} mm "
                    "wide",
                    plate::kAssumedWidthMm));
  }
  const Fidelity straight = detail::fidelity_of(station.lens, pinhole_of(station.lens));
  if (straight.max_px > 0.0) {
    written.not_carried.push_back(fmt::format(
        "the distortion, for programs that pass over custom attributes: the camera is the pinhole "
        "of the straight picture, which the lens bends by {:.3f} px rms, {:.3f} px at worst; bend "
        "renders with the redistort map",
        straight.rms_px,
        straight.max_px));
  }
  std::string text = fmt::format(
      "#usda 1.0\n(\n    defaultPrim = \"camera\"\n    doc = {}\n    metersPerUnit = 0.01\n"
      "    upAxis = \"Y\"\n)\n\ndef Camera \"camera\"\n{{\n",
      plate::usd_quoted("The pinhole of the straight picture; lens: attributes state the "
                        "distortion."));
  text += plate::usd_pinhole_text(station.lens);
  if (station.focus_m && std::isfinite(*station.focus_m)) {
    // In units of the stage, which are centimetres.
    text += fmt::format("        float focusDistance = {}\n", 100.0 * *station.focus_m);
  } else if (station.focus_m) {
    written.not_carried.emplace_back("focus at infinity");
  }
  text += custom_text(profile, station) + "}\n";
  written.text = std::move(text);
  return written;
}

Result<Taken> lens_from_usd(std::string_view text, const Known& known, std::string_view source) {
  const Result<CameraText> camera = camera_of(text, source);
  if (!camera) return fail(camera.error());
  const Attributes attributes(*camera, source);
  const Result<Pinhole> pinhole = pinhole_mm(attributes, camera->meters_per_unit);
  if (!pinhole) return fail(pinhole.error());
  const Result<ImageSize> size = plate_size(attributes, known, source);
  if (!size) return fail(size.error());
  const Result<lens::Lens> lens = lens_of(attributes, *pinhole, *size);
  if (!lens) return fail(lens.error());
  Taken taken;
  taken.profile.labels.lens = attributes.text("lens:name");
  taken.profile.labels.serial = attributes.text("lens:serial");
  taken.profile.labels.body = attributes.text("lens:cameraBody");
  taken.profile.provenance.created = attributes.text("lens:created");
  profile::Station& station = taken.profile.stations.emplace_back();
  if (attributes.has("lens:nominalFocalMm")) {
    station.nominal_focal_mm = attributes.number_or("lens:nominalFocalMm", 0.0);
  }
  if (attributes.has("lens:tStop")) station.t_stop = attributes.number_or("lens:tStop", 0.0);
  if (attributes.has("lens:entrancePupilMm")) {
    station.entrance_pupil_mm = attributes.number_or("lens:entrancePupilMm", 0.0);
  }
  if (attributes.has("focusDistance")) {
    const double focus_m = attributes.number_or("focusDistance", 0.0) * camera->meters_per_unit;
    if (focus_m > 0.0) station.focus_m = focus_m;  // zero stands for not known in USD
  }
  constexpr std::array<std::string_view, 7> kRead{"focalLength",
                                                  "horizontalAperture",
                                                  "verticalAperture",
                                                  "horizontalApertureOffset",
                                                  "verticalApertureOffset",
                                                  "focusDistance",
                                                  "projection"};
  for (const std::string& name : camera->names) {
    if (name.starts_with("lens:")) continue;
    if (std::find(kRead.begin(), kRead.end(), name) == kRead.end()) {
      taken.not_carried.push_back(printable(name));
    }
  }
  taken.fidelity.model = lens::model_name(lens->model);
  if (!attributes.has("lens:model")) {
    taken.warnings.push_back(
        {"no-distortion", "a USD camera is a pinhole: a lens without distortion was made", 0.0});
  }
  return detail::taken_lens(
      std::move(taken), *lens, known, fmt::format("the USD camera in {}", printable(source)));
}

}  // namespace trueplate::exchange
