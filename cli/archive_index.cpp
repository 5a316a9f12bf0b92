#include "cli/archive_index.h"

#include <fmt/format.h>

#include <array>
#include <optional>
#include <string_view>
#include <system_error>
#include <utility>

#include "calib/base/atomic_file.h"
#include "calib/base/csv.h"
#include "calib/base/sha256.h"
#include "calib/base/text.h"
#include "cli/archive_listing.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;
using archive::AttachmentKind;

bool is_file(const fs::path& path) {
  std::error_code code;
  return fs::is_regular_file(path, code);
}

/// Cells of one row by the names of their columns.
class Cells {
 public:
  Cells(const CsvTable& table, std::size_t row) : table_(table), row_(row) {}

  Result<std::string> text(std::string_view column) const {
    const Result<std::size_t> at = table_.column(column);
    if (!at) return fail(at.error());
    return listed_text(table_.cell(row_, *at));
  }

  /// An id; 0 where the cell is blank.
  Result<std::int64_t> id(std::string_view column) const {
    const Result<std::string> cell = text(column);
    if (!cell) return fail(cell.error());
    if (cell->empty()) return 0;
    const std::optional<int> value = parse_int(*cell);
    if (value && *value > 0) return *value;
    return fail(table_.error_at(row_, fmt::format("{} is '{}', wanted an id", column, *cell)));
  }

  [[nodiscard]] Error error(std::string_view message) const {
    return table_.error_at(row_, message);
  }

 private:
  const CsvTable& table_;
  std::size_t row_;
};

/// Whether a path names something below the folder it is relative to.
bool stays_below(const fs::path& path) {
  const fs::path normal = path.lexically_normal();
  return !normal.empty() && normal.is_relative() && *normal.begin() != "..";
}

void fill(std::string& place, const std::string& text) {
  if (place.empty()) place = text;
}

}  // namespace

std::string attachments_csv(std::span<const WrittenAttachment> attachments) {
  constexpr std::array<std::string_view, 5> kColumns{"id", "kind", "name", "file", "sha256"};
  CsvWriter writer(kColumns);
  for (const WrittenAttachment& one : attachments) {
    writer.add_row(std::vector<std::string>{fmt::format("{}", one.id),
                                            archive::to_text(one.kind),
                                            listed_cell(one.name),
                                            listed_cell(one.path),
                                            one.sha256});
  }
  return writer.text();
}

Result<ExportIndex> ExportIndex::read(const fs::path& folder) {
  ExportIndex index;
  index.path_ = folder / kIndexName;
  if (!is_file(index.path_)) return index;
  if (Result<void> rows = index.read_rows(); !rows) return fail(rows.error());
  if (index.rows_.empty() || !is_file(folder / kAttachmentsName)) return index;
  if (Result<void> attachments = index.read_attachments(); !attachments) {
    return fail(attachments.error());
  }
  return index;
}

Result<void> ExportIndex::read_rows() {
  const Result<CsvTable> table = CsvTable::read(path_);
  if (!table) return fail(table.error());
  const Result<std::optional<std::size_t>> ours = table->find_column("document_sha256");
  if (!ours) return fail(ours.error());
  if (!*ours) return {};  // another list of that name
  for (std::size_t i = 0; i < table->num_rows(); ++i) {
    const Cells cells(*table, i);
    Row row;
    const auto take_text = [&](std::string_view column, std::string& place) -> Result<void> {
      Result<std::string> text = cells.text(column);
      if (!text) return fail(text.error());
      place = std::move(*text);
      return {};
    };
    std::string digest;
    const std::array<std::pair<std::string_view, std::string*>, 10> texts{
        {{"document_sha256", &digest},
         {"maker", &row.filing.lens.maker},
         {"model", &row.filing.lens.model},
         {"series", &row.filing.lens.series},
         {"serial", &row.filing.lens.serial},
         {"body", &row.filing.body},
         {"recording_mode", &row.filing.recording_mode},
         {"added_at", &row.filing.added_at},
         {"added_by", &row.filing.added_by},
         {"note", &row.filing.note}}};
    for (const auto& [column, place] : texts) {
      if (Result<void> taken = take_text(column, *place); !taken) return taken;
    }
    const Result<std::int64_t> id = cells.id("id");
    if (!id) return fail(id.error());
    const Result<std::int64_t> older = cells.id("supersedes");
    if (!older) return fail(older.error());
    row.id = *id;
    row.supersedes = *older;
    rows_.insert_or_assign(digest, std::move(row));
  }
  return {};
}

Result<void> ExportIndex::read_attachments() {
  const Result<CsvTable> table = CsvTable::read(path_.parent_path() / kAttachmentsName);
  if (!table) return fail(table.error());
  std::map<std::int64_t, Row*> row_of_id;
  for (auto& [digest, row] : rows_) row_of_id[row.id] = &row;
  for (std::size_t i = 0; i < table->num_rows(); ++i) {
    const Cells cells(*table, i);
    const Result<std::int64_t> id = cells.id("id");
    if (!id) return fail(id.error());
    WrittenAttachment one;
    one.id = *id;
    std::string kind;
    const std::array<std::pair<std::string_view, std::string*>, 4> texts{
        {{"kind", &kind}, {"name", &one.name}, {"file", &one.path}, {"sha256", &one.sha256}}};
    for (const auto& [column, place] : texts) {
      Result<std::string> text = cells.text(column);
      if (!text) return fail(text.error());
      *place = std::move(*text);
    }
    if (!stays_below(one.path)) return fail(cells.error("file lies outside the folder"));
    if (kind == archive::to_text(AttachmentKind::kPicture)) one.kind = AttachmentKind::kPicture;
    const auto row = row_of_id.find(one.id);
    if (row == row_of_id.end()) {
      return fail(cells.error(fmt::format("calibration {} is not in {}", one.id, kIndexName)));
    }
    row->second->attachments.push_back(std::move(one));
  }
  return {};
}

Result<void> ExportIndex::complete(const std::string& sha256, archive::Filing& filing) const {
  const auto found = rows_.find(sha256);
  if (found == rows_.end()) return {};
  const Row& row = found->second;
  fill(filing.lens.maker, row.filing.lens.maker);
  fill(filing.lens.model, row.filing.lens.model);
  fill(filing.lens.series, row.filing.lens.series);
  fill(filing.lens.serial, row.filing.lens.serial);
  fill(filing.body, row.filing.body);
  fill(filing.recording_mode, row.filing.recording_mode);
  fill(filing.note, row.filing.note);
  if (filing.added_by.empty()) {  // when belongs to who
    filing.added_by = row.filing.added_by;
    filing.added_at = row.filing.added_at;
  }
  if (!filing.supersedes) {
    const auto older = new_of_old_.find(row.supersedes);
    if (row.supersedes == 0) filing.supersedes = 0;
    if (older != new_of_old_.end()) filing.supersedes = older->second;
  }
  for (const WrittenAttachment& one : row.attachments) {
    const fs::path path = path_.parent_path() / one.path;
    Result<std::string> content = read_text_file(path, archive::kMaxAttachmentBytes);
    if (!content) return fail(content.error());
    const Result<std::string> digest = sha256_of_text(*content);
    if (!digest) return fail(digest.error());
    if (*digest != one.sha256) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: is not the file that was exported; export again, or file the "
                              "profile by itself",
                              path.string()));
    }
    filing.attachments.push_back({one.kind, one.name, std::move(*content)});
  }
  return {};
}

void ExportIndex::remember(const std::string& sha256, const archive::Filed& filed) {
  const auto found = rows_.find(sha256);
  if (found != rows_.end() && !filed.was_there) new_of_old_[found->second.id] = filed.id;
}

}  // namespace trueplate::cli
