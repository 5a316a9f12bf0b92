// The fields of OpenTrackIO, to and from JSON.

#include <fmt/format.h>

#include <string>
#include <utility>

#include "calib/base/utf8.h"
#include "calib/exchange/open_track_io.h"
#include "calib/profile/detail/fields.h"
#include "calib/profile/detail/json_text.h"

namespace trueplate::exchange {
namespace {

using profile::detail::Complaint;
using profile::detail::Fields;
using profile::detail::found_text;
using profile::detail::Json;
using profile::detail::kFinite;
using profile::detail::kPositive;
using profile::detail::number_in_range;
using profile::detail::Range;
using Names = std::vector<std::string_view>;

constexpr std::string_view kProtocol = "OpenTrackIO";
constexpr std::size_t kMaxTerms = 64;
constexpr std::size_t kMaxStringBytes = 1023;  // of the schema, in characters
constexpr std::size_t kMaxHistory = 256;

const Names kTopFields{"custom",
                       "duration",
                       "globalStage",
                       "lens",
                       "protocol",
                       "sampleId",
                       "sourceId",
                       "relatedSampleIds",
                       "static",
                       "timing",
                       "tracker",
                       "sourceNumber",
                       "transforms"};
const Names kCameraFields{"activeSensorPhysicalDimensions",
                          "activeSensorResolution",
                          "anamorphicSqueeze",
                          "firmwareVersion",
                          "label",
                          "make",
                          "model",
                          "serialNumber",
                          "captureFrameRate",
                          "fdlLink",
                          "isoSpeed",
                          "shutterAngle"};
const Names kStaticLensFields{"calibrationHistory",
                              "distortionOverscanMax",
                              "firmwareVersion",
                              "make",
                              "model",
                              "nominalFocalLength",
                              "serialNumber",
                              "undistortionOverscanMax"};
const Names kLensFields{"custom",
                        "distortion",
                        "distortionOffset",
                        "encoders",
                        "entrancePupilOffset",
                        "exposureFalloff",
                        "fStop",
                        "focusDistance",
                        "pinholeFocalLength",
                        "projectionOffset",
                        "rawEncoders",
                        "tStop"};

/// No lens is longer.
constexpr double kMostPupilM = 1000.0;

/// Adds the paths of those of `names` that are there.
void note_beyond(const Fields& fields, const Names& names, std::vector<std::string>& beyond) {
  for (const std::string_view name : names) {
    if (fields.has(name)) beyond.push_back(fields.path_of(name));
  }
}

std::vector<double> numbers(const Fields& fields, std::string_view key) {
  const Json& list = fields.list(key);
  std::vector<double> values;
  if (list.empty() || list.size() > kMaxTerms) {
    fields.complain(key,
                    fmt::format("has {} numbers, wanted from 1 to {}", list.size(), kMaxTerms));
    return values;
  }
  for (std::size_t i = 0; i < list.size(); ++i) {
    const std::string path = fmt::format("{}[{}]", fields.path_of(key), i);
    values.push_back(number_in_range(list[i], kFinite, path, fields.complaint()).value_or(0.0));
  }
  return values;
}

std::optional<Point2d> optional_offset(const Fields& parent, std::string_view key) {
  if (!parent.has(key)) return std::nullopt;
  const Fields fields = parent.object(key, {"x", "y"});
  const double x = fields.number("x", kFinite);
  return Point2d(x, fields.number("y", kFinite));
}

void read_protocol(const Fields& root, LensSample& sample) {
  if (!root.has("protocol")) return;
  const Fields protocol = root.object("protocol", {"name", "version"});
  const std::string name = protocol.string("name");
  if (name != kProtocol) {
    protocol.complain("name", fmt::format("is \"{}\", wanted \"{}\"", printable(name), kProtocol));
  }
  const Json& version = protocol.list("version");
  if (version.size() != sample.version.size()) {
    protocol.complain("version", fmt::format("has {} numbers, wanted 3", version.size()));
    return;
  }
  for (std::size_t i = 0; i < sample.version.size(); ++i) {
    constexpr Range kDigit{.least = 0.0, .most = 9.0};
    const std::string path = fmt::format("{}[{}]", protocol.path_of("version"), i);
    sample.version[i] = static_cast<int>(
        number_in_range(version[i], kDigit, path, protocol.complaint()).value_or(0.0));
  }
}

void read_camera(const Fields& camera, LensSample& sample) {
  if (camera.has("activeSensorPhysicalDimensions")) {
    const Fields size = camera.object("activeSensorPhysicalDimensions", {"height", "width"});
    sample.sensor_mm = lens::FilmBack{.width_mm = size.number("width", kPositive),
                                      .height_mm = size.number("height", kPositive)};
  }
  if (camera.has("activeSensorResolution")) {
    const Fields size = camera.object("activeSensorResolution", {"height", "width"});
    sample.sensor_px = ImageSize{size.integer("width", 1, kMaxImageSide),
                                 size.integer("height", 1, kMaxImageSide)};
  }
  if (camera.has("anamorphicSqueeze")) {
    const Fields ratio = camera.object("anamorphicSqueeze", {"num", "denom"});
    const double num = ratio.integer("num", 1);
    sample.squeeze = num / ratio.integer("denom", 1);
  }
  sample.camera_make = camera.optional_string("make");
  sample.camera_model = camera.optional_string("model");
  note_beyond(camera,
              {"firmwareVersion",
               "label",
               "serialNumber",
               "captureFrameRate",
               "fdlLink",
               "isoSpeed",
               "shutterAngle"},
              sample.beyond);
}

void read_static_lens(const Fields& lens, LensSample& sample) {
  sample.lens_make = lens.optional_string("make");
  sample.lens_model = lens.optional_string("model");
  sample.lens_serial = lens.optional_string("serialNumber");
  sample.nominal_focal_mm = lens.optional_number("nominalFocalLength", kPositive);
  if (lens.has("calibrationHistory")) {
    const Json& history = lens.list("calibrationHistory");
    for (std::size_t i = 0; i < history.size() && i < kMaxHistory; ++i) {
      if (!history[i].is_string()) {
        lens.complain("calibrationHistory", fmt::format("{}, wanted text", found_text(history[i])));
        break;
      }
      sample.calibration_history.push_back(history[i].get<std::string>());
    }
  }
  note_beyond(
      lens, {"distortionOverscanMax", "firmwareVersion", "undistortionOverscanMax"}, sample.beyond);
}

void read_lens(const Fields& lens, LensSample& sample) {
  sample.focal_mm = lens.optional_number("pinholeFocalLength", kPositive);
  sample.focus_m = lens.optional_number("focusDistance", kPositive);
  sample.t_stop = lens.optional_number("tStop", kPositive);
  sample.entrance_pupil_m =
      lens.optional_number("entrancePupilOffset", {.least = -kMostPupilM, .most = kMostPupilM});
  sample.projection_offset_mm = optional_offset(lens, "projectionOffset");
  sample.distortion_offset_mm = optional_offset(lens, "distortionOffset");
  if (lens.has("distortion")) {
    const std::size_t count = lens.list("distortion").size();
    for (std::size_t i = 0; i < count && i < kMaxTerms; ++i) {
      const Fields item =
          lens.element("distortion", i, {"model", "overscan", "radial", "tangential"});
      LensSampleDistortion distortion;
      if (item.has("model")) distortion.model = item.string("model");
      distortion.radial = numbers(item, "radial");
      if (item.has("tangential")) distortion.tangential = numbers(item, "tangential");
      distortion.overscan = item.optional_number("overscan", {.least = 1.0});
      sample.distortion.push_back(std::move(distortion));
    }
  }
  note_beyond(
      lens, {"custom", "encoders", "exposureFalloff", "fStop", "rawEncoders"}, sample.beyond);
}

LensSample sample_of(const Json& json, Complaint& complaint) {
  LensSample sample;
  const Fields root(json, "", kTopFields, complaint);
  read_protocol(root, sample);
  if (root.has("static")) {
    const Fields all = root.object("static", {"camera", "duration", "lens", "tracker"});
    if (all.has("camera")) read_camera(all.object("camera", kCameraFields), sample);
    if (all.has("lens")) read_static_lens(all.object("lens", kStaticLensFields), sample);
    note_beyond(all, {"duration", "tracker"}, sample.beyond);
  }
  read_lens(root.object("lens", kLensFields), sample);
  note_beyond(root,
              {"custom",
               "duration",
               "globalStage",
               "sampleId",
               "sourceId",
               "relatedSampleIds",
               "timing",
               "tracker",
               "sourceNumber",
               "transforms"},
              sample.beyond);
  return sample;
}

void put_text(Json& json, const char* key, const std::string& text) {
  if (!text.empty()) json[key] = printable(text, kMaxStringBytes);
}

template <class T>
void put(Json& json, const char* key, const std::optional<T>& value) {
  if (value) json[key] = *value;
}

void put_offset(Json& json, const char* key, const std::optional<Point2d>& offset) {
  if (offset) json[key] = {{"x", offset->x()}, {"y", offset->y()}};
}

Json camera_json(const LensSample& sample) {
  Json camera = Json::object();
  if (sample.sensor_mm) {
    camera["activeSensorPhysicalDimensions"] = {{"height", sample.sensor_mm->height_mm},
                                                {"width", sample.sensor_mm->width_mm}};
  }
  if (sample.sensor_px) {
    camera["activeSensorResolution"] = {{"height", sample.sensor_px->height},
                                        {"width", sample.sensor_px->width}};
  }
  put_text(camera, "make", sample.camera_make);
  put_text(camera, "model", sample.camera_model);
  return camera;
}

Json static_lens_json(const LensSample& sample) {
  Json lens = Json::object();
  put_text(lens, "make", sample.lens_make);
  put_text(lens, "model", sample.lens_model);
  put_text(lens, "serialNumber", sample.lens_serial);
  put(lens, "nominalFocalLength", sample.nominal_focal_mm);
  Json history = Json::array();
  for (const std::string& entry : sample.calibration_history) {
    history.push_back(printable(entry, kMaxStringBytes));
  }
  if (!history.empty()) lens["calibrationHistory"] = std::move(history);
  return lens;
}

Json lens_json(const LensSample& sample) {
  Json lens = Json::object();
  put(lens, "pinholeFocalLength", sample.focal_mm);
  put(lens, "focusDistance", sample.focus_m);
  put(lens, "tStop", sample.t_stop);
  put(lens, "entrancePupilOffset", sample.entrance_pupil_m);
  put_offset(lens, "projectionOffset", sample.projection_offset_mm);
  put_offset(lens, "distortionOffset", sample.distortion_offset_mm);
  Json list = Json::array();
  for (const LensSampleDistortion& distortion : sample.distortion) {
    Json item = {{"model", distortion.model}, {"radial", distortion.radial}};
    if (!distortion.tangential.empty()) item["tangential"] = distortion.tangential;
    put(item, "overscan", distortion.overscan);
    list.push_back(std::move(item));
  }
  if (!list.empty()) lens["distortion"] = std::move(list);
  return lens;
}

}  // namespace

Result<LensSample> parse_open_track_io(std::string_view text, std::string_view source) {
  Result<Json> json = profile::detail::parse_json(text, source);
  if (!json) return fail(json.error());
  Complaint complaint;
  LensSample sample = sample_of(*json, complaint);
  if (complaint.message()) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: {}", source, *complaint.message()));
  }
  return sample;
}

std::string open_track_io_text(const LensSample& sample) {
  Json json = Json::object();
  json["protocol"] = {{"name", kProtocol}, {"version", sample.version}};
  json["static"] = {{"camera", camera_json(sample)}, {"lens", static_lens_json(sample)}};
  json["lens"] = lens_json(sample);
  return profile::detail::json_text(json);
}

}  // namespace trueplate::exchange
