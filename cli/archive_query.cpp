#include "cli/archive_query.h"

#include <fmt/format.h>

#include <cstdlib>
#include <utility>

#include "calib/base/sha256.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "cli/command.h"

namespace trueplate::cli {
namespace {

void add_field(CLI::App& app,
               const std::string& name,
               std::optional<std::string>& field,
               const std::string& help) {
  app.add_option(name, field, help)->type_name("TEXT");
}

bool is_sha256(const std::string& text) {
  return text.size() == 64 && text.find_first_not_of("0123456789abcdef") == std::string::npos;
}

}  // namespace

Result<archive::Archive> open_archive(const std::string& option, archive::Absent absent) {
  std::string location = option;
  if (const char* variable = std::getenv(kArchiveVariable);
      location.empty() && variable != nullptr) {
    location = variable;
  }
  if (location.empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("say which archive: --archive lenses.archive, or a URL "
                            "postgresql://..., or the variable {}",
                            kArchiveVariable));
  }
  return archive::Archive::open(location, absent);
}

int report_archive(const Error& error) {
  return error.code == ErrorCode::kInvalidInput ? report_usage(error) : report_failure(error);
}

void add_wanted(CLI::App& app, Wanted& wanted) {
  app.add_option("WHAT",
                 wanted.words,
                 "words among the labels, a focal length, a focus distance: vista 35mm near 2 m")
      ->type_name("");
  add_field(app, "--maker", wanted.query.maker, "the whole name, letters of either case alike");
  add_field(app, "--model", wanted.query.model, "of the lens, as engraved");
  add_field(app, "--series", wanted.query.series, "that the lens belongs to");
  add_field(app, "--serial", wanted.query.serial, "serial number of the lens");
  add_field(app, "--body", wanted.query.body, "camera body");
  add_field(app, "--recording-mode", wanted.query.recording_mode, "of the camera");
  add_field(app, "--by", wanted.query.added_by, "who filed it");
  add_field(app, "--lens-model", wanted.query.lens_model, "such as cylindrical-2");
  app.add_option("--focal", wanted.focal, "focal length, within 3 %")->type_name("LENGTH");
  app.add_option("--focus", wanted.focus, "focus distance, within 0.1 of its reciprocal in 1/m")
      ->type_name("LENGTH");
  app.add_option("--plate", wanted.plate, "size of the plate")->type_name("WxH");
  app.add_option(
         "--footage", wanted.footage, "a frame or movie it was made from: the file, or its SHA-256")
      ->type_name("FILE|HASH");
  app.add_flag("--superseded",
               wanted.query.superseded,
               "also those that a newer calibration took the place of");
}

Result<archive::Query> query_of(const Wanted& wanted) {
  archive::Query query = wanted.query;
  if (!wanted.focal.empty()) {
    const Result<double> focal = parse_length_mm(wanted.focal);
    if (!focal) return fail(focal.error());
    query.focal_mm = *focal;
  }
  if (!wanted.focus.empty()) {
    const Result<double> focus = parse_length_mm(wanted.focus, InfinityPolicy::kAllow);
    if (!focus) return fail(focus.error());
    query.focus_m = *focus / 1000.0;
  }
  if (!wanted.plate.empty()) {
    const Result<std::pair<int, int>> size = parse_size(wanted.plate);
    if (!size) return fail(size.error());
    query.plate = ImageSize{size->first, size->second};
  }
  if (!wanted.footage.empty()) {
    const Result<std::string> digest = is_sha256(wanted.footage)
                                           ? Result<std::string>(wanted.footage)
                                           : sha256_of_file(wanted.footage);
    if (!digest) return fail(digest.error());
    query.footage_sha256 = *digest;
  }
  if (Result<void> added = archive::add_words(wanted.words, query); !added) {
    return fail(added.error());
  }
  return query;
}

Result<archive::Entry> single(const archive::Archive& archive, const Wanted& wanted) {
  if (wanted.words.size() == 1) {
    if (const std::optional<int> id = parse_int(wanted.words.front())) return archive.entry(*id);
  }
  Result<archive::Query> query = query_of(wanted);
  if (!query) return fail(query.error());
  query->most = 10;
  const Result<std::vector<archive::Entry>> entries = archive.find(*query);
  if (!entries) return fail(entries.error());
  if (entries->size() == 1) return entries->front();
  if (entries->empty()) {
    return fail(ErrorCode::kNotFound,
                fmt::format("{}: holds no such calibration; `archive find` lists what there is",
                            archive.name()));
  }
  std::string list;
  for (const archive::Entry& entry : *entries) {
    list += fmt::format("{}{} ({} {}, {})",
                        list.empty() ? "" : ", ",
                        entry.id,
                        printable(entry.lens.model, 30),
                        printable(entry.lens.serial, 20),
                        printable(entry.states, 30));
  }
  return fail(ErrorCode::kNotFound,
              fmt::format("{}: several calibrations fit, name one by its id: {}{}",
                          archive.name(),
                          list,
                          entries->size() == 10 ? " and perhaps more" : ""));
}

}  // namespace trueplate::cli
