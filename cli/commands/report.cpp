#include <fmt/format.h>

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/text.h"
#include "calib/profile/profile.h"
#include "charts/draw/lens_sheet.h"
#include "charts/draw/vector.h"
#include "cli/commands/commands.h"
#include "cli/document_date.h"
#include "cli/footage_options.h"
#include "cli/profile_option.h"
#include "cli/report/calibration_page.h"
#include "cli/report/refit.h"
#include "cli/report/write_report.h"
#include "cli/report/zoom_page.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  FrameArguments frames;
  std::string observations;
  std::string output;
  std::string angles;
  std::string reference_focal;
  std::string date;
  std::optional<int> station;
};

Result<draw::LensSheetOptions> sheet_options(const Options& options) {
  draw::LensSheetOptions sheet{.program = fmt::format("trueplate {}", kVersion)};
  const Result<std::string> date = document_date(options.date);
  if (!date) return fail(date.error());
  sheet.date = *date;
  if (!options.reference_focal.empty()) {
    const Result<double> focal = parse_length_mm(options.reference_focal);
    if (!focal) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("--reference-focal: {}", focal.error().message));
    }
    sheet.reference_focal_mm = *focal;
  }
  if (options.angles.empty()) return sheet;
  for (const std::string_view part : split(options.angles, ',')) {
    const std::optional<double> angle = parse_number(part);
    if (!angle) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("--angles: '{}' is no number; write it as 7.5,15,30", part));
    }
    sheet.angles_deg.push_back(*angle);
  }
  return sheet;
}

/// What is wrong with options that are for the other kind of report; empty: nothing.
std::string misplaced_option(const Options& options, bool is_page) {
  if (is_page && !options.angles.empty()) {
    return "--angles: the page has curves; a lens sheet (.pdf) has the table of angles";
  }
  if (is_page && !options.reference_focal.empty()) {
    return "--reference-focal: is of the lens sheet (.pdf); the page counts with the measured "
           "focal "
           "length";
  }
  if (!is_page && (!options.observations.empty() || !options.frames.arguments.empty())) {
    return "a lens sheet shows neither frames nor observations; a page (.html) does";
  }
  return {};
}

nlohmann::json rows_json(const std::vector<draw::HeightRow>& rows) {
  nlohmann::json list = nlohmann::json::array();
  for (const draw::HeightRow& row : rows) {
    list.push_back({{"angle_deg", row.angle_deg},
                    {"ideal_height_px", row.ideal_px},
                    {"actual_height_px", row.actual_px},
                    {"percent", row.percent()}});
  }
  return list;
}

std::size_t station_index(const Options& options) {
  return static_cast<std::size_t>(options.station.value_or(1) - 1);
}

int write_sheet(const Options& options,
                const profile::Profile& profile,
                const CommonOptions& common) {
  const Result<draw::LensSheetOptions> sheet = sheet_options(options);
  if (!sheet) return report_usage(sheet.error());
  const profile::Station& station = profile.stations[station_index(options)];
  const Result<draw::Document> document = draw::lens_sheet(profile, station, *sheet);
  if (!document) return report_usage(document.error());
  const Result<std::string> pdf = draw::pdf_of(*document);
  if (!pdf) return report_failure(pdf.error());
  if (Result<void> done = write_text_file(options.output, *pdf, common.overwrite_policy()); !done) {
    return report_failure(done.error());
  }
  print(common, fmt::format("lens sheet -> {}\n", options.output));
  const Result<std::vector<draw::HeightRow>> rows = draw::height_rows(station.lens, *sheet);
  const nlohmann::json json = {{"file", options.output},
                               {"rows", rows ? rows_json(*rows) : nlohmann::json::array()}};
  if (Result<void> done = write_json(common, json); !done) return report_failure(done.error());
  return kDone;
}

constexpr const char* kNoTrials =
    "The profile keeps the model that was taken, not the figures of the others. The page that "
    "`calibrate --report` writes as the lens is made has their table.";

int write_page(const Options& options,
               const profile::Profile& profile,
               const CommonOptions& common) {
  const Result<std::string> date = document_date(options.date);
  if (!date) return report_usage(date.error());
  if (profile.stations.size() > 1 && !options.station) {
    if (!options.observations.empty() || !options.frames.arguments.empty()) {
      return report_usage({ErrorCode::kInvalidInput,
                           "frames and observations are of one station: say which by --station"});
    }
    return write_report(zoom_page(profile, *date), options.output, common);
  }
  CalibrationPage page{
      .profile = &profile,
      .station = station_index(options),
      .no_trials = profile.stations[station_index(options)].quality ? kNoTrials : "",
      .date = *date,
      .threads = common.threads};
  std::optional<footage::FrameSet> frames;
  if (!options.frames.arguments.empty()) {
    Result<footage::FrameSet> resolved =
        footage::resolve_frames(options.frames.arguments, options.frames.range);
    if (!resolved) return report_frames(resolved.error());
    frames = std::move(*resolved);
    page.frames = &*frames;
  }
  std::optional<Refit> fitted;
  if (!options.observations.empty()) {
    Result<Refit> again =
        refit(profile, profile.stations[page.station], options.observations, common.threads);
    if (!again) return report_failure(again.error());
    fitted = std::move(*again);
    page.views = fitted->views;
    page.fit = &fitted->fit;
    page.warnings = fitted->warnings;
    report_warnings(fitted->warnings, common);
  }
  return write_report(calibration_page(page), options.output, common);
}

int run(const Options& options, const CommonOptions& common) {
  const bool is_page = options.output.ends_with(".html");
  const std::string name = std::filesystem::path(options.output).filename().string();
  if ((!is_page && !options.output.ends_with(".pdf")) || name == ".html" || name == ".pdf") {
    return report_usage({ErrorCode::kUnsupported,
                         fmt::format("--output: '{}' names no report; wanted a page, such as "
                                     "lens.html (it ends in .html), or a lens sheet, such as "
                                     "lens.pdf (it ends in .pdf)",
                                     options.output)});
  }
  for (const std::string& frame : options.frames.arguments) {
    if (!frame.ends_with(".json")) continue;
    return report_usage({ErrorCode::kInvalidInput,
                         fmt::format("{}: is no picture; behind the profile stand frames of this "
                                     "lens (trueplate compare shows two profiles)",
                                     frame)});
  }
  if (const std::string misplaced = misplaced_option(options, is_page); !misplaced.empty()) {
    return report_usage({ErrorCode::kInvalidInput, misplaced});
  }
  std::vector<std::string> inputs = options.frames.arguments;
  inputs.insert(inputs.end(), {options.profile, options.observations});
  if (Result<void> free = check_outputs({options.output}, inputs, common); !free) {
    return report_failure(free.error());
  }
  const Result<profile::Profile> profile = read_lens_profile(options.profile);
  if (!profile) return report_failure(profile.error());
  const auto count = static_cast<int>(profile->stations.size());
  if (options.station.value_or(1) > count) {
    return report_failure({ErrorCode::kNotFound,
                           fmt::format("{}: holds {} station{}, not {}",
                                       options.profile,
                                       count,
                                       count == 1 ? "" : "s",
                                       *options.station)});
  }
  return is_page ? write_page(options, *profile, common) : write_sheet(options, *profile, common);
}

}  // namespace

Action add_report(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  add_frames(app,
             options->frames,
             "frames of this lens, one of which the page shows straightened: of those it was "
             "calibrated with the one that tells most");
  app.get_option("FRAMES")->required(false);
  app.add_option("--observations",
                 options->observations,
                 "what the lens was fitted to (calibrate --observations, detect), for residuals, "
                 "coverage and every frame")
      ->type_name("FILE");
  app.add_option("-o,--output",
                 options->output,
                 "the report: .html, a page to look at; .pdf, a lens sheet to print")
      ->required()
      ->type_name("FILE");
  app.add_option(
         "--station",
         options->station,
         "which of several stations, from 1 on; default: of a page all together, of a sheet "
         "the first")
      ->check(CLI::Range(1, 1000000))
      ->type_name("N");
  app.add_option("--angles", options->angles, "rows of the table, degrees off the axis: 7.5,15,30")
      ->type_name("LIST");
  app.add_option("--reference-focal",
                 options->reference_focal,
                 "focal length that ideal image heights are counted with, such as 153.5mm")
      ->type_name("LENGTH");
  app.add_option("--date", options->date, "on the report; default today")->type_name("YYYY-MM-DD");
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
