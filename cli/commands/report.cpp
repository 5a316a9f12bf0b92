#include <fmt/format.h>

#include <memory>
#include <string>
#include <vector>

#include "calib/base/text.h"
#include "calib/profile/profile.h"
#include "charts/draw/lens_sheet.h"
#include "charts/draw/vector.h"
#include "cli/commands/commands.h"
#include "cli/document_date.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  std::string output;
  std::string angles;
  std::string reference_focal;
  std::string date;
  int station = 1;
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

int run(const Options& options, const CommonOptions& common) {
  if (!options.output.ends_with(".pdf")) {
    return report_usage(
        {ErrorCode::kUnsupported,
         fmt::format("{}: a lens sheet is a PDF, its name ends in .pdf", options.output)});
  }
  const Result<draw::LensSheetOptions> sheet = sheet_options(options);
  if (!sheet) return report_usage(sheet.error());
  if (Result<void> free = check_outputs({options.output}, {options.profile}, common); !free) {
    return report_failure(free.error());
  }
  const Result<profile::Profile> profile = profile::read_profile(options.profile);
  if (!profile) return report_failure(profile.error());
  const auto count = static_cast<int>(profile->stations.size());
  if (options.station > count) {
    return report_failure(
        {ErrorCode::kNotFound,
         fmt::format("{}: holds {} stations, not {}", options.profile, count, options.station)});
  }
  const profile::Station& station = profile->stations[options.station - 1];
  const Result<draw::Document> document = draw::lens_sheet(*profile, station, *sheet);
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

}  // namespace

Action add_report(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  app.add_option("-o,--output", options->output, "the lens sheet, a PDF of one page")
      ->required()
      ->type_name("FILE");
  app.add_option("--station", options->station, "which of several stations, from 1 on")
      ->check(CLI::Range(1, 1000000))
      ->capture_default_str()
      ->type_name("N");
  app.add_option("--angles", options->angles, "rows of the table, degrees off the axis: 7.5,15,30")
      ->type_name("LIST");
  app.add_option("--reference-focal",
                 options->reference_focal,
                 "focal length that ideal image heights are counted with, such as 153.5mm")
      ->type_name("LENGTH");
  app.add_option("--date", options->date, "on the sheet; default today")->type_name("YYYY-MM-DD");
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
