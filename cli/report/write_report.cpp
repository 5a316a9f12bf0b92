#include "cli/report/write_report.h"

#include <fmt/format.h>

#include "calib/base/atomic_file.h"
#include "cli/document_date.h"
#include "cli/report/page.h"

namespace trueplate::cli {

void add_report_option(CLI::App& app, std::string& option) {
  app.add_option("--report", option, "write a page to look at, one HTML file")->type_name("FILE");
}

Result<void> check_report_option(const std::string& output) {
  if (output.empty()) return {};
  if (!output.ends_with(".html")) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--report: {}: a report is a page, its name ends in .html", output));
  }
  const Result<std::string> date = document_date("");
  return date ? Result<void>() : Result<void>(fail(date.error()));
}

Result<void> write_report_file(const Result<nlohmann::json>& report,
                               const std::string& output,
                               const CommonOptions& common) {
  if (!report) return fail(report.error());
  const Result<std::string> page = html_page(*report);
  if (!page) return fail(page.error());
  if (Result<void> written = write_text_file(output, *page, common.overwrite_policy()); !written) {
    return written;
  }
  print(common, fmt::format("report -> {}\n", output));
  return {};
}

int write_report(const Result<nlohmann::json>& report,
                 const std::string& output,
                 const CommonOptions& common) {
  if (Result<void> done = write_report_file(report, output, common); !done) {
    return report_failure(done.error());
  }
  if (Result<void> done = write_json(common, {{"file", output}}); !done) {
    return report_failure(done.error());
  }
  return kDone;
}

}  // namespace trueplate::cli
