#include "cli/convert_lens.h"

#include <fmt/format.h>

#include <filesystem>
#include <optional>
#include <utility>
#include <vector>

#include "calib/base/sha256.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

using exchange::Fidelity;
using exchange::Known;
using exchange::LensFormat;
using exchange::Taken;
using exchange::Written;

constexpr std::size_t kMaxInputBytes = std::size_t{64} << 20;

Result<Known> known_of(const LensConversion& options) {
  const Result<LensLengths> lengths = lengths_of(options.lens);
  if (!lengths) return fail(lengths.error());
  Known known{.film_back = lengths->film_back,
              .pixel_aspect = options.lens.pixel_aspect,
              .nominal_focal_mm = lengths->focal_mm,
              .focus_m = lengths->focus_m,
              .t_stop = options.lens.t_stop,
              .labels = options.lens.labels,
              .model = options.model,
              .tangential = options.tangential_unit == "mm-2" ? exchange::TangentialUnit::kPerMm2
                                                              : exchange::TangentialUnit::kPerMm,
              .program_version = std::string(kVersion)};
  if (options.lens.squeeze != 1.0) known.squeeze = options.lens.squeeze;
  if (!options.size.empty()) {
    const Result<std::pair<int, int>> size = parse_size(options.size);
    if (!size) {
      return fail(ErrorCode::kInvalidInput, fmt::format("--size: {}", size.error().message));
    }
    known.plate_size = ImageSize{size->first, size->second};
  }
  return known;
}

Result<LensFormat> input_format(const LensConversion& options, const std::string& text) {
  if (!options.from.empty()) return exchange::lens_format_from_name(options.from);
  if (const auto format = exchange::lens_format_from_path(options.input)) return *format;
  if (const auto format = exchange::lens_format_of_json(text)) return *format;
  return fail(ErrorCode::kUnsupported,
              fmt::format("{}: neither its name nor its content tells the format; say --from",
                          options.input));
}

Result<LensFormat> output_format(const LensConversion& options, LensFormat from) {
  if (!options.to.empty()) return exchange::lens_format_from_name(options.to);
  if (const auto format = exchange::lens_format_from_path(options.output)) return *format;
  if (options.output.ends_with(".json") && from != LensFormat::kProfile) {
    return LensFormat::kProfile;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: its name does not tell the format; say --to opentrackio, opencv, "
                          "usd or radial-table",
                          options.output));
}

Result<Taken> read_lens(const LensConversion& options,
                        const std::string& text,
                        LensFormat format,
                        const Known& known) {
  const std::string name = std::filesystem::path(options.input).filename().string();
  Result<Taken> taken = exchange::lens_from_file(text, format, known, name);
  if (!taken || format == LensFormat::kProfile) return taken;
  const Result<std::string> digest = sha256_of_text(text);
  if (!digest) return fail(digest.error());
  taken->profile.provenance.footage.push_back(
      {.name = name, .sha256 = *digest, .rms_px = {}, .reason = {}});
  return taken;
}

Result<const profile::Station*> station_of(const LensConversion& options,
                                           const profile::Profile& profile) {
  const auto count = static_cast<int>(profile.stations.size());
  if (options.station == 0 && count > 1) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format(
            "{}: holds {} stations; choose one with --station, from 1 on, or make a profile of any "
            "state between them with `state`",
            options.input,
            count));
  }
  if (options.station > count) {
    return fail(
        ErrorCode::kNotFound,
        fmt::format("{}: holds {} stations, not {}", options.input, count, options.station));
  }
  return &profile.stations[options.station == 0 ? 0 : options.station - 1];
}

nlohmann::json fidelity_json(LensFormat format, const Fidelity& fidelity) {
  return {{"format", exchange::lens_format_name(format)},
          {"model", fidelity.model},
          {"refitted", fidelity.refitted},
          {"rms_px", fidelity.rms_px},
          {"max_px", fidelity.max_px},
          {"max_at_px", {{"x", fidelity.max_at_px.x()}, {"y", fidelity.max_at_px.y()}}},
          {"principal_shift_px", fidelity.principal_shift_px}};
}

std::string fidelity_text(std::string_view what, LensFormat format, const Fidelity& fidelity) {
  if (!fidelity.refitted) {
    return fmt::format(
        "{} {}: {}, exactly\n", what, exchange::lens_format_name(format), fidelity.model);
  }
  std::string text =
      fmt::format("{} {}: fitted as {}, rms {:.6f} px, worst {:.6f} px at {:.0f},{:.0f}",
                  what,
                  exchange::lens_format_name(format),
                  fidelity.model,
                  fidelity.rms_px,
                  fidelity.max_px,
                  fidelity.max_at_px.x(),
                  fidelity.max_at_px.y());
  if (fidelity.principal_shift_px > 1e-3) {
    text += fmt::format("; the principal point moves by {:.3f} px", fidelity.principal_shift_px);
  }
  return text + "\n";
}

/// One side of the conversion, checked.
Result<void> checked(const Fidelity& fidelity, bool force, std::vector<Warning>& warnings) {
  const Result<void> near = exchange::check_fidelity(fidelity);
  if (near) return near;
  if (!force) {
    return fail(near.error().code, near.error().message + " (--force)");
  }
  warnings.push_back({"form-missed", near.error().message + "; it was", fidelity.max_px});
  return {};
}

void list(const CommonOptions& common, std::string_view what, const std::vector<std::string>& all) {
  for (const std::string& phrase : all) print(common, fmt::format("{}: {}\n", what, phrase));
}

}  // namespace

int run_lens(const LensConversion& options, const CommonOptions& common) {
  const Result<Known> known = known_of(options);
  if (!known) return report_usage(known.error());
  if (Result<void> free = check_outputs({options.output}, {options.input}, common); !free) {
    return report_failure(free.error());
  }
  const Result<std::string> text = read_text_file(options.input, kMaxInputBytes);
  if (!text) return report_failure(text.error());
  const Result<LensFormat> from = input_format(options, *text);
  if (!from) return report_usage(from.error());
  const Result<LensFormat> to = output_format(options, *from);
  if (!to) return report_usage(to.error());
  Result<Taken> taken = read_lens(options, *text, *from, *known);
  if (!taken) return report_failure(taken.error());
  std::vector<Warning> warnings = taken->warnings;
  if (Result<void> near = checked(taken->fidelity, options.force, warnings); !near) {
    return report_failure(near.error());
  }
  Result<const profile::Station*> station = station_of(options, taken->profile);
  if (!station) return report_failure(station.error());
  profile::Station chosen = **station;
  if (*from == LensFormat::kProfile && known->film_back) chosen.lens.film_back = known->film_back;
  const Result<Written> written =
      exchange::lens_file_of(taken->profile, chosen, *to, options.output);
  if (!written) return report_failure(written.error());
  if (Result<void> near = checked(written->fidelity, options.force, warnings); !near) {
    return report_failure(near.error());
  }
  if (Result<void> done = write_text_file(options.output, written->text, common.overwrite_policy());
      !done) {
    return report_failure(done.error());
  }
  print(common, fidelity_text("read as", *from, taken->fidelity));
  list(common, "not in a profile", taken->not_carried);
  print(common, fidelity_text("written as", *to, written->fidelity));
  list(common, "not carried", written->not_carried);
  report_warnings(warnings, common);
  nlohmann::json read = fidelity_json(*from, taken->fidelity);
  read["not_carried"] = taken->not_carried;
  nlohmann::json wrote = fidelity_json(*to, written->fidelity);
  wrote["not_carried"] = written->not_carried;
  const nlohmann::json json = {{"file", options.output},
                               {"read", std::move(read)},
                               {"written", std::move(wrote)},
                               {"warnings", warnings_json(warnings)}};
  if (Result<void> done = write_json(common, json); !done) return report_failure(done.error());
  return kDone;
}

}  // namespace trueplate::cli
