#include "calib/exchange/lens_file.h"

#include <fmt/format.h>

#include <array>
#include <utility>

#include "calib/base/utf8.h"
#include "calib/exchange/detail/parts.h"
#include "calib/exchange/open_cv_file.h"
#include "calib/exchange/open_track_io.h"
#include "calib/exchange/radial_table.h"
#include "calib/exchange/usd_camera_file.h"
#include "calib/profile/detail/json_text.h"

namespace trueplate::exchange {
namespace {

constexpr std::array<std::pair<LensFormat, std::string_view>, 5> kNames{
    {{LensFormat::kProfile, "profile"},
     {LensFormat::kOpenTrackIo, "opentrackio"},
     {LensFormat::kOpenCv, "opencv"},
     {LensFormat::kUsd, "usd"},
     {LensFormat::kRadialTable, "radial-table"}}};

Result<OpenCvSyntax> syntax_of(std::string_view path) {
  if (path.ends_with(".yml") || path.ends_with(".yaml")) return OpenCvSyntax::kYaml;
  if (path.ends_with(".xml")) return OpenCvSyntax::kXml;
  if (path.ends_with(".json")) return OpenCvSyntax::kJson;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: an OpenCV file's name ends in .yml, .yaml, .xml or .json",
                          printable(path, 200)));
}

Result<Written> profile_of(const profile::Profile& profile, const profile::Station& station) {
  profile::Profile single = profile;
  single.stations = {station};
  Result<std::string> text = profile::profile_text(single);
  if (!text) return fail(text.error());
  Written written{.text = *std::move(text), .fidelity = {}, .not_carried = {}};
  written.fidelity.model = lens::model_name(station.lens.model);
  if (profile.stations.size() > 1) {
    written.not_carried.push_back(
        fmt::format("the other {} stations", profile.stations.size() - 1));
  }
  return written;
}

}  // namespace

std::string_view lens_format_name(LensFormat format) {
  for (const auto& [known, name] : kNames) {
    if (known == format) return name;
  }
  return {};
}

Result<LensFormat> lens_format_from_name(std::string_view name) {
  std::string known;
  for (const auto& [format, word] : kNames) {
    if (word == name) return format;
    known += fmt::format("{}{}", known.empty() ? "" : ", ", word);
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("unknown format '{}', wanted one of: {}", printable(name), known));
}

std::optional<LensFormat> lens_format_from_path(std::string_view path) {
  if (path.ends_with(".yml") || path.ends_with(".yaml") || path.ends_with(".xml")) {
    return LensFormat::kOpenCv;
  }
  if (path.ends_with(".usda")) return LensFormat::kUsd;
  if (path.ends_with(".csv")) return LensFormat::kRadialTable;
  return std::nullopt;
}

std::optional<LensFormat> lens_format_of_json(std::string_view text) {
  const Result<profile::detail::Json> json = profile::detail::parse_json(text, "the text");
  if (!json || !json->is_object()) return std::nullopt;
  if (json->contains("format")) return LensFormat::kProfile;
  for (const char* name : {"camera_matrix", "cameraMatrix", "K"}) {
    if (json->contains(name)) return LensFormat::kOpenCv;
  }
  if (json->contains("protocol") || json->contains("lens")) return LensFormat::kOpenTrackIo;
  return std::nullopt;
}

Result<Written> lens_file_of(const profile::Profile& profile,
                             const profile::Station& station,
                             LensFormat format,
                             std::string_view path) {
  switch (format) {
    case LensFormat::kOpenTrackIo:
      return open_track_io_of(profile, station);
    case LensFormat::kOpenCv: {
      const Result<OpenCvSyntax> syntax = syntax_of(path);
      if (!syntax) return fail(syntax.error());
      return open_cv_file_of(profile, station, *syntax);
    }
    case LensFormat::kUsd:
      return usd_camera_of(profile, station);
    case LensFormat::kRadialTable:
      return radial_table_of(profile, station);
    case LensFormat::kProfile:
      break;
  }
  return profile_of(profile, station);
}

Result<Taken> lens_from_file(std::string text,
                             LensFormat format,
                             const Known& known,
                             const std::string& source) {
  switch (format) {
    case LensFormat::kOpenTrackIo: {
      const Result<LensSample> sample = parse_open_track_io(text, source);
      if (!sample) return fail(sample.error());
      return lens_from_sample(*sample, known, source);
    }
    case LensFormat::kOpenCv:
      return lens_from_open_cv(text, known, source);
    case LensFormat::kUsd:
      return lens_from_usd(text, known, source);
    case LensFormat::kRadialTable:
      return lens_from_radial_table(std::move(text), known, source);
    case LensFormat::kProfile:
      break;
  }
  Result<profile::Profile> profile = profile::parse_profile(text, source);
  if (!profile) return fail(profile.error());
  Taken taken;
  taken.profile = *std::move(profile);
  taken.fidelity.model = lens::model_name(taken.profile.stations.front().lens.model);
  return taken;
}

}  // namespace trueplate::exchange
