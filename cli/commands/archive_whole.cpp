#include <fmt/format.h>

#include <filesystem>
#include <limits>
#include <memory>
#include <utility>
#include <vector>

#include "calib/archive/archive.h"
#include "cli/archive_index.h"
#include "cli/archive_listing.h"
#include "cli/archive_paths.h"
#include "cli/archive_query.h"
#include "cli/commands/archive_commands.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;
using archive::Archive;
using archive::Entry;

int run_export(const std::string& folder,
               const std::string& location,
               const CommonOptions& common) {
  const Result<Archive> archive = open_archive(location, archive::Absent::kRefuse);
  if (!archive) return report_archive(archive.error());
  std::error_code code;
  fs::create_directories(folder, code);
  if (code) {
    return report_failure(
        {ErrorCode::kUnwritable, fmt::format("{}: cannot be made ({})", folder, code.message())});
  }
  const Result<std::vector<Entry>> entries = archive->find(
      {.superseded = true, .oldest_first = true, .most = std::numeric_limits<int>::max()});
  if (!entries) return report_failure(entries.error());
  Progress progress(common, "writing");
  const Overwrite overwrite = common.overwrite_policy();
  int done = 0;
  std::vector<WrittenAttachment> kept;
  for (const Entry& entry : *entries) {
    if (interrupt_flag().load()) return kInterrupted;
    const std::string name = profile_file_name(entry);
    progress.update(done++, static_cast<int>(entries->size()), name);
    const Result<std::string> document = archive->document(entry.id);
    if (!document) return report_failure(document.error());
    Result<void> written =
        write_text_file(fs::path(folder) / name, *document, overwrite, Flush::kLeaveToSystem);
    if (!written) return report_failure(written.error());
    const fs::path beside = fs::path(folder) / attachments_folder(entry.id);
    Result<std::vector<WrittenAttachment>> attachments =
        write_attachments(*archive, entry.id, beside, overwrite);
    if (!attachments) return report_failure(attachments.error());
    for (WrittenAttachment& one : *attachments) {
      one.path = (attachments_folder(entry.id) / fs::path(one.path).filename()).string();
      kept.push_back(std::move(one));
    }
  }
  if (!kept.empty()) {
    Result<void> written =
        write_text_file(fs::path(folder) / kAttachmentsName, attachments_csv(kept), overwrite);
    if (!written) return report_failure(written.error());
  }
  const fs::path index = fs::path(folder) / kIndexName;
  if (Result<void> written = write_text_file(index, entries_csv(*entries), overwrite); !written) {
    return report_failure(written.error());
  }
  print(common, fmt::format("{} calibrations -> {}\n", entries->size(), folder));
  if (Result<void> written =
          write_json(common, {{"calibrations", entries->size()}, {"index", index.string()}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

int run_verify(const std::string& seal, const std::string& location, const CommonOptions& common) {
  const Result<Archive> archive = open_archive(location, archive::Absent::kRefuse);
  if (!archive) return report_archive(archive.error());
  Progress progress(common, "checking");
  const Result<archive::Verification> result =
      archive->verify({.seal = seal, .progress = [&](std::int64_t done, std::int64_t of) {
                         progress.update(static_cast<int>(done), static_cast<int>(of), "");
                         return !interrupt_flag().load();
                       }});
  if (!result) {
    return result.error().code == ErrorCode::kInterrupted ? static_cast<int>(kInterrupted)
                                                          : report_failure(result.error());
  }
  nlohmann::json damages = nlohmann::json::array();
  for (const archive::Damage& damage : result->damages) {
    const std::string where =
        damage.id == 0 ? archive->name() : fmt::format("calibration {}", damage.id);
    report_frame_problem(fmt::format("{}: {}", where, damage.words));
    damages.push_back({{"id", damage.id == 0 ? nlohmann::json(nullptr) : nlohmann::json(damage.id)},
                       {"words", damage.words}});
  }
  print(common,
        result->damages.empty()
            ? fmt::format("{} calibrations, all as they were filed\nseal {}\n",
                          result->num_checked,
                          result->seal.empty() ? "none" : result->seal)
            : fmt::format("{} calibrations checked, {} damages; restore the archive from a copy\n",
                          result->num_checked,
                          result->damages.size()));
  if (Result<void> written = write_json(
          common, {{"checked", result->num_checked}, {"damages", damages}, {"seal", result->seal}});
      !written) {
    return report_failure(written.error());
  }
  return result->damages.empty() ? kDone : kFailed;
}

}  // namespace

ArchiveCommand add_archive_export(CLI::App& app, const ArchiveLocation& location) {
  auto folder = std::make_shared<std::string>();
  CLI::App& command = *app.add_subcommand("export", "write everything into a folder");
  command.add_option("-o,--output", *folder, "made when absent")->required()->type_name("FOLDER");
  return {&command,
          [=](const CommonOptions& common) { return run_export(*folder, *location, common); }};
}

ArchiveCommand add_archive_verify(CLI::App& app, const ArchiveLocation& location) {
  auto seal = std::make_shared<std::string>();
  CLI::App& command = *app.add_subcommand("verify", "check that everything is as it was filed");
  command.add_option("--seal", *seal, "one that was noted earlier: its record has to be there")
      ->type_name("SEAL");
  return {&command,
          [=](const CommonOptions& common) { return run_verify(*seal, *location, common); }};
}

}  // namespace trueplate::cli
