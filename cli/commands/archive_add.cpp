#include <fmt/format.h>

#include <algorithm>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/base/sha256.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/profile/profile.h"
#include "cli/archive_index.h"
#include "cli/archive_paths.h"
#include "cli/archive_query.h"
#include "cli/commands/archive_commands.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;
using archive::Archive;

struct AddOptions {
  std::vector<std::string> paths;
  archive::LensName lens;
  std::string body;
  std::string recording_mode;
  std::string by;
  std::string note;
  std::string supersedes;
  std::string observations;
  std::vector<std::string> pictures;
};

Result<void> attach(archive::Filing& filing,
                    archive::AttachmentKind kind,
                    const std::string& path) {
  Result<std::string> content = read_text_file(path, archive::kMaxAttachmentBytes);
  if (!content) return fail(content.error());
  filing.attachments.push_back({kind, fs::path(path).filename().string(), std::move(*content)});
  return {};
}

/// What all profiles of one call share.
Result<archive::Filing> common_filing(const AddOptions& options) {
  archive::Filing filing;
  filing.lens = options.lens;
  filing.body = options.body;
  filing.recording_mode = options.recording_mode;
  filing.added_by = options.by;
  filing.note = options.note;
  if (options.supersedes == "none") {
    filing.supersedes = 0;
  } else if (!options.supersedes.empty()) {
    const std::optional<int> id = parse_int(options.supersedes);
    if (!id || *id < 1) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("--supersedes is '{}', wanted the id of a calibration, or none",
                              options.supersedes));
    }
    filing.supersedes = *id;
  }
  if (!options.observations.empty()) {
    if (Result<void> added =
            attach(filing, archive::AttachmentKind::kObservations, options.observations);
        !added) {
      return fail(added.error());
    }
  }
  for (const std::string& picture : options.pictures) {
    if (Result<void> added = attach(filing, archive::AttachmentKind::kPicture, picture); !added) {
      return fail(added.error());
    }
  }
  return filing;
}

std::string filed_text(const std::string& file, const archive::Filed& filed) {
  if (filed.was_there) return fmt::format("{}: is there already, as {}\n", file, filed.id);
  if (filed.supersedes == 0) return fmt::format("{}: filed as {}\n", file, filed.id);
  return fmt::format("{}: filed as {}, takes the place of {}\n", file, filed.id, filed.supersedes);
}

/// The profile is there, and something said of it now is not in its record, which never changes.
Warning not_taken(const std::string& file, const archive::Filed& filed) {
  std::string names;
  for (const std::string& name : filed.not_taken) {
    names += fmt::format("{}{}", names.empty() ? "" : ", ", printable(name));
  }
  return {"not-taken-over",
          fmt::format("{}: its record {} stays as it was filed; not taken over: {}. A record never "
                      "changes: what has to be kept goes with the next calibration",
                      file,
                      filed.id,
                      names),
          static_cast<double>(filed.id)};
}

/// One profile of a call took the place of another: as likely two states of a lens that do not say
/// which.
Warning superseded_now(const std::string& file, const archive::Filed& filed) {
  return {"superseded-in-one-call",
          fmt::format("{}: takes the place of {}, filed in this very call, because both say the "
                      "same lens, body and states; are these two states of the lens? State focal "
                      "length and focus distance in the profiles (calibrate --focal, --focus)",
                      file,
                      filed.supersedes),
          static_cast<double>(filed.supersedes)};
}

/// The lists of those of `paths` that `archive export` wrote.
Result<std::vector<ExportIndex>> read_indexes(const std::vector<std::string>& paths) {
  std::vector<ExportIndex> indexes;
  for (const std::string& path : paths) {
    Result<ExportIndex> index = ExportIndex::read(path);
    if (!index) return fail(index.error());
    indexes.push_back(std::move(*index));
  }
  return indexes;
}

/// Files one profile, with what the list of an export says of it where there is one.
Result<archive::Filed> file_profile(const std::string& file,
                                    archive::Filing filing,
                                    std::vector<ExportIndex>& indexes,
                                    Archive& archive) {
  Result<std::string> document = read_text_file(file, profile::kMaxProfileBytes);
  if (!document) return fail(document.error());
  filing.source = file;
  filing.document = std::move(*document);
  const Result<std::string> digest = sha256_of_text(filing.document);
  if (!digest) return fail(digest.error());
  const auto index = std::find_if(
      indexes.begin(), indexes.end(), [&](const ExportIndex& one) { return one.knows(*digest); });
  if (index != indexes.end()) {
    if (Result<void> completed = index->complete(*digest, filing); !completed) {
      return fail(completed.error());
    }
  }
  if (filing.added_by.empty()) filing.added_by = user_name();
  const Result<std::vector<archive::Filed>> filed = archive.add({&filing, 1});
  if (!filed) return fail(filed.error());
  if (index != indexes.end()) index->remember(*digest, filed->front());
  return filed->front();
}

/// What came from the lists of exports.
std::string indexes_text(const std::vector<ExportIndex>& indexes, const AddOptions& options) {
  std::string text;
  for (const ExportIndex& index : indexes) {
    if (index.num_filed() == 0) continue;
    text += fmt::format("{}: labels, notes, {}and what is kept with them taken over for {} {}\n",
                        index.path().string(),
                        options.by.empty() ? "who filed them and when, " : "",
                        index.num_filed(),
                        index.num_filed() == 1 ? "profile" : "profiles");
    if (!options.by.empty()) text += "who filed them and when: as --by says, and now\n";
  }
  return text;
}

int run_add(const AddOptions& options, const std::string& location, const CommonOptions& common) {
  const Result<std::vector<fs::path>> files = profile_files(options.paths);
  if (!files) return report_archive(files.error());
  const bool attached = !options.observations.empty() || !options.pictures.empty();
  if (files->size() != 1 && (attached || !options.supersedes.empty())) {
    return report_usage({ErrorCode::kInvalidInput,
                         fmt::format("--observations, --picture and --supersedes go with one "
                                     "profile, and there are {}",
                                     files->size())});
  }
  Result<archive::Filing> filing = common_filing(options);
  if (!filing) return report_archive(filing.error());
  Result<std::vector<ExportIndex>> indexes = read_indexes(options.paths);
  if (!indexes) return report_archive(indexes.error());
  Result<Archive> archive = open_archive(location, archive::Absent::kCreate);
  if (!archive) return report_archive(archive.error());

  nlohmann::json added = nlohmann::json::array();
  nlohmann::json failed = nlohmann::json::array();
  std::vector<Warning> warnings;
  std::set<std::int64_t> filed_now;
  Progress progress(common, "filing");
  for (std::size_t i = 0; i < files->size() && !interrupt_flag().load(); ++i) {
    const std::string file = (*files)[i].string();
    progress.update(static_cast<int>(i), static_cast<int>(files->size()), file);
    const Result<archive::Filed> filed = file_profile(file, *filing, *indexes, *archive);
    if (!filed) {
      report_frame_problem(filed.error().message);
      failed.push_back({{"file", file}, {"reason", filed.error().message}});
      continue;
    }
    const archive::Filed& one = *filed;
    print(common, filed_text(file, one));
    if (!one.was_there && filed_now.contains(one.supersedes)) {
      warnings.push_back(superseded_now(file, one));
    }
    if (!one.not_taken.empty()) warnings.push_back(not_taken(file, one));
    filed_now.insert(one.id);
    added.push_back(
        {{"file", file},
         {"id", one.id},
         {"was_there", one.was_there},
         {"not_taken", one.not_taken},
         {"supersedes",
          one.supersedes == 0 ? nlohmann::json(nullptr) : nlohmann::json(one.supersedes)}});
  }
  print(common, indexes_text(*indexes, options));
  report_warnings(warnings, common);
  const bool some = !added.empty();
  const bool all = failed.empty();
  if (Result<void> written = write_json(
          common, {{"added", added}, {"failed", failed}, {"warnings", warnings_json(warnings)}});
      !written) {
    return report_failure(written.error());
  }
  if (interrupt_flag().load()) return kInterrupted;
  if (files->empty()) {
    return report_failure({ErrorCode::kNotFound, "no .json file is there to be filed"});
  }
  if (all) return kDone;
  return some ? kPartly : kFailed;
}

}  // namespace

ArchiveCommand add_archive_add(CLI::App& app, const ArchiveLocation& location) {
  auto options = std::make_shared<AddOptions>();
  CLI::App& add = *app.add_subcommand("add", "file profiles");
  add.add_option("PROFILE", options->paths, "profiles, and folders of them")
      ->required()
      ->type_name("");
  add.add_option("--maker", options->lens.maker, "of the lens")->type_name("TEXT");
  add.add_option("--model", options->lens.model, "as engraved; default the profile's label")
      ->type_name("TEXT");
  add.add_option("--series", options->lens.series, "that the lens belongs to")->type_name("TEXT");
  add.add_option("--serial", options->lens.serial, "serial number; default the profile's label")
      ->type_name("TEXT");
  add.add_option("--body", options->body, "camera body; default the profile's label")
      ->type_name("TEXT");
  add.add_option("--recording-mode", options->recording_mode, "of the camera")->type_name("TEXT");
  add.add_option("--by", options->by, "who files it; default the user")->type_name("TEXT");
  add.add_option("--note", options->note, "whatever is worth knowing")->type_name("TEXT");
  add.add_option(
         "--observations", options->observations, "the points it was fitted to, kept with it")
      ->type_name("FILE");
  add.add_option("--picture", options->pictures, "a picture kept with it; may be repeated")
      ->type_name("FILE");
  add.add_option("--supersedes",
                 options->supersedes,
                 "the calibration it takes the place of; default the current one of the same lens, "
                 "body, recording mode, states and plate size")
      ->type_name("ID|none");
  return {&add, [=](const CommonOptions& common) { return run_add(*options, *location, common); }};
}

}  // namespace trueplate::cli
