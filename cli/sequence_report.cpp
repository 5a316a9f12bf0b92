#include "cli/sequence_report.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <set>

#include "cli/pass_options.h"

namespace trueplate::cli {
namespace {

/// A warning that many frames share is said once, with their number.
void report_frame_warnings(const std::vector<warp::FrameWarnings>& frames,
                           const CommonOptions& common) {
  if (common.quiet) return;
  std::map<std::string, int> num_frames;
  for (const warp::FrameWarnings& frame : frames) {
    std::set<std::string> codes;
    for (const Warning& warning : frame.warnings) codes.insert(warning.code);
    for (const std::string& code : codes) ++num_frames[code];
  }
  std::set<std::string> said;
  for (const warp::FrameWarnings& frame : frames) {
    for (const Warning& warning : frame.warnings) {
      if (!said.insert(warning.code).second) continue;
      const int others = num_frames[warning.code] - 1;
      const std::string more = others > 0 ? fmt::format(" (also in {} more frames)", others) : "";
      report_warnings({{warning.code, fmt::format("{}: {}{}", frame.name, warning.message, more)}},
                      common);
    }
  }
}

/// `a, b, c and 7 more`
std::string names_text(const std::vector<std::string>& names) {
  constexpr std::size_t kMostShown = 10;
  std::string text = names.front();
  for (std::size_t i = 1; i < std::min(names.size(), kMostShown); ++i) text += ", " + names[i];
  if (names.size() > kMostShown) text += fmt::format(" and {} more", names.size() - kMostShown);
  return text;
}

/// What was found in place of outputs, and what unfinished files were removed.
void report_found(const warp::SequenceSummary& summary, const CommonOptions& common) {
  if (common.quiet) return;
  std::map<warp::FrameMatch, std::vector<std::string>> replaced;
  for (const warp::FrameReplaced& frame : summary.replaced) {
    replaced[frame.before].push_back(frame.name);
  }
  for (const auto& [before, names] : replaced) {
    report_frame_problem(
        fmt::format("replaced what {}: {}", warp::to_text(before), names_text(names)));
  }
  if (!summary.removed_leftovers.empty()) {
    report_frame_problem(fmt::format("removed {} unfinished files that a killed run had left",
                                     summary.removed_leftovers.size()));
  }
}

/// `7 of 10 frames -> out.####.exr; 2 more were complete already`
void print_counts(const warp::SequenceSummary& summary,
                  std::size_t num_frames,
                  const std::string& output,
                  const CommonOptions& common) {
  std::string text = fmt::format("{} of {} frames -> {}", summary.done.size(), num_frames, output);
  if (!summary.complete.empty()) {
    text += fmt::format(
        "; {}{} complete already, made from the same input with the same lens and "
        "options",
        summary.complete.size(),
        summary.complete.size() == 1 ? " was" : " were");
  }
  print(common, text + "\n");
}

nlohmann::json summary_json(const SequenceReport& report) {
  const warp::SequenceSummary& summary = report.summary;
  nlohmann::json failed = nlohmann::json::array();
  for (const warp::FrameFailure& failure : summary.failed) {
    failed.push_back({{"name", failure.name}, {"reason", failure.error.message}});
  }
  nlohmann::json left_out = nlohmann::json::array();
  for (const footage::LeftOut& item : report.frames.left_out) {
    left_out.push_back({{"name", item.frame.name}, {"reason", item.reason.message}});
  }
  nlohmann::json warnings = nlohmann::json::array();
  for (const warp::FrameWarnings& frame : summary.warnings) {
    warnings.push_back({{"name", frame.name}, {"warnings", warnings_json(frame.warnings)}});
  }
  nlohmann::json replaced = nlohmann::json::array();
  for (const warp::FrameReplaced& frame : summary.replaced) {
    replaced.push_back({{"name", frame.name}, {"before", warp::to_text(frame.before)}});
  }
  return {{"done", summary.done},
          {"complete", summary.complete},
          {"replaced", replaced},
          {"failed", failed},
          {"left_out", left_out},
          {"skipped", summary.skipped},
          {"interrupted", summary.interrupted},
          {"gave_up", summary.gave_up},
          {"channels", channels_json(report.channels)},
          {"run_warnings", warnings_json(report.warnings)},
          {"warnings", warnings}};
}

}  // namespace

bool is_earlier_report(const std::string& path) {
  if (path.empty() || path == "-") return false;
  const Result<std::string> text = read_text_file(path, std::size_t{1} << 28);
  if (!text) return false;
  const nlohmann::json report = nlohmann::json::parse(*text, nullptr, false);
  return report.is_object() && report.contains("done") && report.contains("complete") &&
         report.contains("skipped");
}

int report_sequence(const SequenceReport& report,
                    const CommonOptions& common,
                    const CommonOptions& json) {
  const warp::SequenceSummary& summary = report.summary;
  report_found(summary, common);
  report_frame_warnings(summary.warnings, common);
  for (const footage::LeftOut& left_out : report.frames.left_out) {
    report_frame_problem(left_out.reason.message);
  }
  for (const warp::FrameFailure& failure : summary.failed) {
    report_frame_problem(failure.error.message);
  }
  if (summary.gave_up) {
    report_frame_problem(fmt::format(
        "three frames one after another could not be written, so {} more {} not begun; the same "
        "command does the rest when there is room",
        summary.skipped.size(),
        summary.skipped.size() == 1 ? "was" : "were"));
  }
  const bool any = !summary.done.empty() || !summary.complete.empty();
  if (any) {
    print_counts(summary,
                 report.frames.frames.size() + report.frames.left_out.size(),
                 report.output,
                 common);
    const Result<void> written = report.beside ? report.beside() : Result<void>();
    if (!written) {
      report_failure(written.error());
      return kPartly;
    }
    if (!report.channels.empty()) print(common, channels_text(report.channels));
  }
  nlohmann::json value = summary_json(report);
  if (!report.lenses.is_null()) value["lenses"] = report.lenses;
  if (Result<void> written = write_json(json, value); !written) {
    return report_failure(written.error());
  }
  if (summary.interrupted) {
    return report_failure({ErrorCode::kInterrupted,
                           fmt::format("interrupted; {} frames are done, {} were not begun; the "
                                       "same command again does the rest",
                                       summary.done.size() + summary.complete.size(),
                                       summary.skipped.size())});
  }
  if (!any) return kFailed;
  return summary.failed.empty() && summary.skipped.empty() && report.frames.left_out.empty()
             ? kDone
             : kPartly;
}

}  // namespace trueplate::cli
