#include <fmt/format.h>

#include <memory>
#include <utility>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/profile/describe.h"
#include "calib/profile/profile.h"
#include "cli/archive_listing.h"
#include "cli/archive_paths.h"
#include "cli/archive_query.h"
#include "cli/commands/archive_commands.h"
#include "cli/terminal.h"

namespace trueplate::cli {
namespace {

constexpr std::size_t kAnyWidth = 100'000;

/// A terminal's width; what goes elsewhere may be as wide as it is.
std::size_t columns_shown() {
  return is_terminal(Stream::kOutput) ? static_cast<std::size_t>(terminal_width(Stream::kOutput))
                                      : kAnyWidth;
}

using archive::Archive;
using archive::Entry;

struct FindOptions {
  Wanted wanted;
  int most = 50;
  std::string csv;
};

int run_find(const FindOptions& options, const std::string& location, const CommonOptions& common) {
  if (Result<void> free = check_outputs({options.csv}, {}, common); !free) {
    return report_failure(free.error());
  }
  const bool csv_shown = options.csv == "-";
  if (csv_shown && common.json == "-") {
    return report_usage({ErrorCode::kInvalidInput,
                         "--csv and --json both go to standard output; name a file for one"});
  }
  Result<archive::Query> query = query_of(options.wanted);
  if (!query) return report_archive(query.error());
  query->most = options.most + 1;
  const Result<Archive> archive = open_archive(location, archive::Absent::kRefuse);
  if (!archive) return report_archive(archive.error());
  Result<std::vector<Entry>> entries = archive->find(*query);
  if (!entries) return report_failure(entries.error());
  const bool more = entries->size() > static_cast<std::size_t>(options.most);
  if (more) entries->pop_back();
  if (csv_shown) {
    fmt::print("{}", entries_csv(*entries));
  } else if (entries->empty()) {
    print(common, "nothing fits\n");
  } else {
    print(common, entries_text(*entries, columns_shown()));
  }
  if (more && !csv_shown)
    print(common, fmt::format("more than {}: --most N shows more\n", options.most));
  if (!options.csv.empty() && !csv_shown) {
    if (Result<void> written =
            write_text_file(options.csv, entries_csv(*entries), common.overwrite_policy());
        !written) {
      return report_failure(written.error());
    }
  }
  if (Result<void> written =
          write_json(common, {{"calibrations", entries_json(*entries)}, {"more", more}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

int run_history(const Wanted& wanted, const std::string& location, const CommonOptions& common) {
  const Result<Archive> archive = open_archive(location, archive::Absent::kRefuse);
  if (!archive) return report_archive(archive.error());
  Result<std::vector<Entry>> entries = std::vector<Entry>();
  const std::optional<int> id =
      wanted.words.size() == 1 ? parse_int(wanted.words.front()) : std::nullopt;
  if (id) {
    entries = archive->history(*id);
  } else {
    Result<archive::Query> query = query_of(wanted);
    if (!query) return report_archive(query.error());
    query->superseded = true;
    query->oldest_first = true;
    query->most = 1000;
    entries = archive->find(*query);
  }
  if (!entries) return report_archive(entries.error());
  print(common, entries->empty() ? "nothing fits\n" : entries_text(*entries, columns_shown()));
  if (Result<void> written = write_json(common, {{"calibrations", entries_json(*entries)}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

int run_show(const Wanted& wanted, const std::string& location, const CommonOptions& common) {
  const Result<Archive> archive = open_archive(location, archive::Absent::kRefuse);
  if (!archive) return report_archive(archive.error());
  const Result<Entry> entry = single(*archive, wanted);
  if (!entry) return report_archive(entry.error());
  const Result<std::string> document = archive->document(entry->id);
  if (!document) return report_failure(document.error());
  const Result<profile::Profile> profile =
      profile::parse_profile(*document, fmt::format("calibration {}", entry->id));
  if (!profile) return report_failure(profile.error());
  const Result<std::vector<archive::Attachment>> attachments = archive->attachments(entry->id);
  if (!attachments) return report_failure(attachments.error());
  std::string text = entry_text(*entry);
  nlohmann::json files = nlohmann::json::array();
  for (const archive::Attachment& attachment : *attachments) {
    text += fmt::format("{:<16}{}, {} bytes\n",
                        to_text(attachment.kind),
                        printable(attachment.name, 100),
                        attachment.content.size());
    files.push_back({{"kind", to_text(attachment.kind)},
                     {"name", replace_invalid_utf8(attachment.name)},
                     {"bytes", attachment.content.size()}});
  }
  print(common, text + "\n" + profile::describe(*profile));
  nlohmann::json json = entry_json(*entry);
  json["attachments"] = files;
  json["profile"] = nlohmann::json::parse(*document, nullptr, false);
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

struct GetOptions {
  Wanted wanted;
  std::string output;
  std::string attachments;
};

int run_get(const GetOptions& options, const std::string& location, const CommonOptions& common) {
  if (Result<void> free = check_outputs({options.output}, {}, common); !free) {
    return report_failure(free.error());
  }
  const Result<Archive> archive = open_archive(location, archive::Absent::kRefuse);
  if (!archive) return report_archive(archive.error());
  const Result<Entry> entry = single(*archive, options.wanted);
  if (!entry) return report_archive(entry.error());
  const Result<std::string> document = archive->document(entry->id);
  if (!document) return report_failure(document.error());
  std::vector<std::string> files;
  if (!options.attachments.empty()) {
    const Result<std::vector<WrittenAttachment>> attachments =
        write_attachments(*archive, entry->id, options.attachments, common.overwrite_policy());
    if (!attachments) return report_failure(attachments.error());
    for (const WrittenAttachment& one : *attachments) files.push_back(one.path);
  }
  if (Result<void> written = write_text_file(options.output, *document, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common, fmt::format("calibration {} -> {}\n", entry->id, options.output));
  std::vector<Warning> warnings;
  if (entry->superseded_by != 0) {
    warnings.push_back(
        {"superseded",
         fmt::format("calibration {} has been superseded by {}", entry->id, entry->superseded_by),
         static_cast<double>(entry->superseded_by)});
  }
  report_warnings(warnings, common);
  nlohmann::json json = entry_json(*entry);
  json["file"] = options.output;
  json["attachments"] = files;
  json["warnings"] = warnings_json(warnings);
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

/// A command for calibrations that words and options choose.
ArchiveCommand add_chosen(CLI::App& app,
                          const ArchiveLocation& location,
                          const char* name,
                          const char* help,
                          int (*run)(const Wanted&, const std::string&, const CommonOptions&)) {
  auto wanted = std::make_shared<Wanted>();
  CLI::App& command = *app.add_subcommand(name, help);
  add_wanted(command, *wanted);
  return {&command, [=](const CommonOptions& common) { return run(*wanted, *location, common); }};
}

}  // namespace

ArchiveCommand add_archive_find(CLI::App& app, const ArchiveLocation& location) {
  auto options = std::make_shared<FindOptions>();
  CLI::App& find = *app.add_subcommand("find", "list calibrations");
  add_wanted(find, options->wanted);
  find.add_option("--most", options->most, "list no more than these")
      ->check(CLI::Range(1, 1'000'000))
      ->capture_default_str()
      ->type_name("N");
  find.add_option("--csv", options->csv, "write the list as CSV")->type_name("FILE");
  return {&find,
          [=](const CommonOptions& common) { return run_find(*options, *location, common); }};
}

ArchiveCommand add_archive_show(CLI::App& app, const ArchiveLocation& location) {
  return add_chosen(app, location, "show", "tell what is kept of a calibration", &run_show);
}

ArchiveCommand add_archive_get(CLI::App& app, const ArchiveLocation& location) {
  auto options = std::make_shared<GetOptions>();
  CLI::App& get = *app.add_subcommand("get", "write the profile of a calibration");
  add_wanted(get, options->wanted);
  get.add_option("-o,--output", options->output, "the profile")->required()->type_name("FILE");
  get.add_option("--attachments", options->attachments, "write what is kept with it there")
      ->type_name("FOLDER");
  return {&get, [=](const CommonOptions& common) { return run_get(*options, *location, common); }};
}

ArchiveCommand add_archive_history(CLI::App& app, const ArchiveLocation& location) {
  return add_chosen(app, location, "history", "list every calibration of a lens", &run_history);
}

}  // namespace trueplate::cli
