#include "calib/base/csv.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <limits>
#include <utility>

#include "calib/base/atomic_file.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate {
namespace {

constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";
constexpr std::uint32_t kUnchanged = std::numeric_limits<std::uint32_t>::max();

Unexpected fail_at(std::string_view source, std::size_t line, std::string_view message) {
  return fail(ErrorCode::kUnreadable, fmt::format("{}:{}: {}", source, line, message));
}

std::string unquoted(std::string_view as_written) {
  if (!as_written.starts_with('"')) return std::string(as_written);
  as_written.remove_prefix(1);
  as_written.remove_suffix(1);
  std::string text;
  text.reserve(as_written.size());
  for (std::size_t i = 0; i < as_written.size(); ++i) {
    text += as_written[i];
    if (as_written[i] == '"') ++i;  // the parser has seen that quotes come in pairs
  }
  return text;
}

CsvComment comment_of(std::string_view line) {
  const std::string_view text = trim(line.substr(1));
  const std::size_t colon = text.find(':');
  if (colon == std::string_view::npos) return {"", std::string(text)};
  return {std::string(trim(text.substr(0, colon))), std::string(trim(text.substr(colon + 1)))};
}

std::string one_line(std::string_view text) {
  std::string line(text);
  std::replace_if(
      line.begin(), line.end(), [](char c) { return c == '\n' || c == '\r'; }, ' ');
  return line;
}

/// An empty cell alone in its row needs quotes, or the row would be a blank line.
std::string cell_of_row(std::string_view text, std::size_t num_columns, char separator = ',') {
  return text.empty() && num_columns == 1 ? "\"\"" : csv_cell(text, separator);
}

/// What separates the cells of a header row: the first of comma, tab and semicolon that it has.
char separator_of(std::string_view header) {
  for (const char separator : {',', '\t', ';'}) {
    bool quoted = false;
    for (const char c : header) {
      if (c == '"') quoted = !quoted;
      if (c == separator && !quoted) return separator;
    }
  }
  return ',';
}

bool equals_in_any_case(std::string_view text, std::string_view lower) {
  constexpr char kLowerCase = 0x20;
  return std::equal(text.begin(), text.end(), lower.begin(), lower.end(), [](char a, char b) {
    return (a | kLowerCase) == b;
  });
}

std::string listed(std::span<const std::string> columns) {
  constexpr std::size_t kMaxListed = 20;
  std::string list;
  for (std::size_t i = 0; i < std::min(columns.size(), kMaxListed); ++i) {
    if (i > 0) list += ", ";
    list += printable(columns[i], 40);
  }
  if (columns.size() > kMaxListed) list += ", ...";
  return list;
}

}  // namespace

/// Walks once over the content and notes where each cell begins and ends.
class CsvTable::Parser {
 public:
  Parser(CsvTable& table, const CsvLimits& limits)
      : table_(table), limits_(limits), text_(table.content_) {}

  Result<void> run() {
    if (Result<void> checked = check_text(); !checked) return checked;
    if (text_.starts_with(kByteOrderMark)) at_ = kByteOrderMark.size();
    while (at_ < text_.size()) {
      if (skip_blank_line()) continue;
      if (text_[at_] == '#') {
        if (Result<void> taken = take_comment(); !taken) return taken;
      } else if (Result<void> taken = take_record(); !taken) {
        return taken;
      }
    }
    if (table_.columns_.empty()) {
      return fail_at(table_.source_, line_, "is empty, wanted a header row with column names");
    }
    return {};
  }

 private:
  Result<void> check_text() {
    if (text_.starts_with("\xFF\xFE") || text_.starts_with("\xFE\xFF")) {
      return fail_at(table_.source_, 1, "is UTF-16 text, wanted UTF-8; save it as UTF-8");
    }
    const std::size_t first = text_.find_first_not_of(" \t\r\n");
    if (first != std::string_view::npos && text_[first] == '{') {
      return fail_at(table_.source_, 1, "is JSON, a lens profile perhaps; wanted CSV");
    }
    if (const std::size_t nul = text_.find('\0'); nul != std::string_view::npos) {
      const auto line = 1 + std::count(text_.begin(), text_.begin() + static_cast<long>(nul), '\n');
      return fail_at(table_.source_,
                     static_cast<std::size_t>(line),
                     "holds a zero byte, so it is no text file");
    }
    return {};
  }

  /// The line that begins at at_, its line break left out.
  [[nodiscard]] std::string_view rest_of_line() const {
    const std::size_t end = std::min(text_.find('\n', at_), text_.size());
    std::string_view line = text_.substr(at_, end - at_);
    if (end < text_.size() && line.ends_with('\r')) line.remove_suffix(1);
    return line;
  }

  void go_to_next_line() {
    at_ = std::min(text_.find('\n', at_), text_.size() - 1) + 1;
    ++line_;
  }

  bool skip_blank_line() {
    if (rest_of_line().find_first_not_of(" \t") != std::string_view::npos) return false;
    go_to_next_line();
    return true;
  }

  [[nodiscard]] Unexpected lone_carriage_return() const {
    return fail_at(table_.source_,
                   line_,
                   "has a carriage return without a line feed; save it with LF or CRLF line ends");
  }

  Result<void> take_comment() {
    if (!table_.columns_.empty()) {
      return fail_at(table_.source_,
                     line_,
                     "begins with '#' below the header row; comments stand above it, and a name "
                     "that begins so is put in quotes");
    }
    const std::string_view line = rest_of_line();
    if (line.find('\r') != std::string_view::npos) return lone_carriage_return();
    table_.comments_.push_back(comment_of(line));
    go_to_next_line();
    return {};
  }

  /// One record, its line break included: the header, or a row.
  Result<void> take_record() {
    const std::size_t first_line = line_;
    const bool is_header = table_.columns_.empty();
    if (is_header) table_.separator_ = separator_of(rest_of_line());
    const std::size_t first_cell = table_.cells_.size();
    for (;;) {
      Result<Span> cell = take_cell();
      if (!cell) return fail(cell.error());
      if (is_header) {
        const std::string_view as_written = text_.substr(cell->begin, cell->end - cell->begin);
        table_.columns_.emplace_back(trim(unquoted(as_written)));
      } else {
        table_.cells_.push_back(*cell);
      }
      const std::size_t count =
          is_header ? table_.columns_.size() : table_.cells_.size() - first_cell;
      if (count > limits_.max_columns) {
        return fail_at(table_.source_,
                       first_line,
                       fmt::format("has more than {} cells in one row", limits_.max_columns));
      }
      if (at_ < text_.size() && text_[at_] == table_.separator_) {
        ++at_;
        continue;
      }
      break;
    }
    if (at_ < text_.size()) {  // take_cell stops at a separator, a line break or the end
      at_ += text_[at_] == '\r' ? 2 : 1;
      ++line_;
    }
    if (is_header) {
      table_.header_line_ = first_line;
      return {};
    }
    const std::size_t count = table_.cells_.size() - first_cell;
    if (count != table_.columns_.size()) {
      return fail_at(table_.source_,
                     first_line,
                     fmt::format("has {} cells, the header row has {}; decimal commas, or a {} "
                                 "in a name, need quotes or a point; or the file is cut off",
                                 count,
                                 table_.columns_.size(),
                                 table_.separator_ == ','    ? "comma"
                                 : table_.separator_ == '\t' ? "tab"
                                                             : "semicolon"));
    }
    if (table_.cells_.size() > limits_.max_cells) {
      return fail_at(table_.source_,
                     first_line,
                     fmt::format("more than {} cells in one file; split it", limits_.max_cells));
    }
    table_.line_of_row_.push_back(static_cast<std::uint32_t>(first_line));
    return {};
  }

  Result<Span> take_cell() {
    const std::size_t begin = at_;
    if (at_ < text_.size() && text_[at_] == '"') {
      if (Result<void> skipped = skip_quoted(); !skipped) return fail(skipped.error());
    } else {
      const char ends[] = {table_.separator_, '"', '\r', '\n', '\0'};
      at_ = std::min(text_.find_first_of(ends, at_), text_.size());
      if (at_ < text_.size() && text_[at_] == '"') {
        return fail_at(table_.source_,
                       line_,
                       "has a quote in the middle of a cell; put the whole cell in quotes and "
                       "double those inside");
      }
    }
    if (at_ < text_.size() && text_[at_] == '\r' && text_.substr(at_, 2) != "\r\n") {
      return lone_carriage_return();
    }
    return Span{static_cast<std::uint32_t>(begin), static_cast<std::uint32_t>(at_)};
  }

  Result<void> skip_quoted() {
    const std::size_t first_line = line_;
    ++at_;
    for (;;) {
      const std::size_t quote = text_.find('"', at_);
      if (quote == std::string_view::npos) {
        return fail_at(table_.source_, first_line, "has a quote that is never closed");
      }
      const auto from = text_.begin() + static_cast<std::ptrdiff_t>(at_);
      const auto to = text_.begin() + static_cast<std::ptrdiff_t>(quote);
      line_ += static_cast<std::size_t>(std::count(from, to, '\n'));
      at_ = quote + 1;
      if (at_ < text_.size() && text_[at_] == '"') {
        ++at_;
        continue;
      }
      break;
    }
    const char ends[] = {table_.separator_, '\r', '\n', '\0'};
    if (at_ < text_.size() && text_.find_first_of(ends, at_) != at_) {
      return fail_at(table_.source_, line_, "has text behind a closing quote");
    }
    return {};
  }

  CsvTable& table_;
  const CsvLimits& limits_;
  std::string_view text_;
  std::size_t at_ = 0;
  std::size_t line_ = 1;
};

Result<CsvTable> CsvTable::parse(std::string content, std::string source, const CsvLimits& limits) {
  const std::size_t max_bytes =
      std::min<std::size_t>(limits.max_bytes, std::numeric_limits<std::uint32_t>::max());
  if (content.size() > max_bytes) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: larger than {} bytes; split it", source, max_bytes));
  }
  CsvTable table;
  table.content_ = std::move(content);
  table.source_ = std::move(source);
  if (Result<void> parsed = Parser(table, limits).run(); !parsed) return fail(parsed.error());
  return table;
}

Result<CsvTable> CsvTable::read(const std::filesystem::path& path, const CsvLimits& limits) {
  Result<std::string> content = read_text_file(path, limits.max_bytes);
  if (!content) return fail(content.error());
  return parse(std::move(*content), path.string(), limits);
}

std::string_view CsvTable::name_in_file(std::string_view name) const {
  const auto found = std::find_if(
      names_.begin(), names_.end(), [name](const auto& entry) { return entry.first == name; });
  return found == names_.end() ? name : std::string_view(found->second);
}

Result<std::optional<std::size_t>> CsvTable::find_column(std::string_view name) const {
  name = name_in_file(name);
  std::optional<std::size_t> found;
  for (std::size_t i = 0; i < columns_.size(); ++i) {
    if (columns_[i] != name) continue;
    if (found) {
      return fail_at(source_, header_line_, fmt::format("column '{}' stands there twice", name));
    }
    found = i;
  }
  return found;
}

Result<std::size_t> CsvTable::column(std::string_view name) const {
  const Result<std::optional<std::size_t>> found = find_column(name);
  if (!found) return fail(found.error());
  if (*found) return **found;
  return fail_at(source_,
                 header_line_,
                 fmt::format("no column '{}'; the header row has: {}",
                             printable(name_in_file(name)),
                             listed(columns_)));
}

Result<std::optional<std::string>> CsvTable::comment(std::string_view key) const {
  std::optional<std::string> value;
  for (const CsvComment& comment : comments_) {
    if (comment.key != key) continue;
    if (value) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: the comment '# {}:' stands there twice", source_, key));
    }
    value = comment.value;
  }
  return value;
}

Result<std::optional<ImageSize>> CsvTable::image_size() const {
  const Result<std::optional<std::string>> value = comment("image");
  if (!value) return fail(value.error());
  if (!*value) return std::optional<ImageSize>();
  const Result<std::pair<int, int>> size = parse_size(**value);
  if (!size) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: the comment '# image:' is '{}', wanted WIDTHxHEIGHT in whole "
                            "numbers from 1 to {}, such as 2048x1080",
                            source_,
                            printable(**value),
                            kMaxImageSide));
  }
  return std::optional(ImageSize{size->first, size->second});
}

std::string_view CsvTable::as_written(std::size_t row, std::size_t column) const {
  assert(row < num_rows() && column < columns_.size());
  const std::size_t index = row * columns_.size() + column;
  const bool changed = !new_of_cell_.empty() && new_of_cell_[index] != kUnchanged;
  if (changed) {
    const LongSpan span = new_cells_[new_of_cell_[index]];
    return std::string_view(new_text_).substr(span.begin, span.end - span.begin);
  }
  const Span span = cells_[index];
  return std::string_view(content_).substr(span.begin, span.end - span.begin);
}

std::string CsvTable::cell(std::size_t row, std::size_t column) const {
  return unquoted(as_written(row, column));
}

bool CsvTable::is_blank(std::size_t row, std::size_t column) const {
  const std::string_view text = as_written(row, column);
  return trim(text.starts_with('"') ? text.substr(1, text.size() - 2) : text).empty();
}

bool CsvTable::is_not_finite(std::size_t row, std::size_t column) const {
  const std::string text = cell(row, column);
  std::string_view word = trim(text);
  if (!word.empty() && (word.front() == '-' || word.front() == '+')) word.remove_prefix(1);
  return equals_in_any_case(word, "nan") || equals_in_any_case(word, "inf") ||
         equals_in_any_case(word, "infinity");
}

Result<double> CsvTable::number(std::size_t row, std::size_t column) const {
  const std::string_view text = as_written(row, column);
  const std::optional<double> value =
      parse_number(text.starts_with('"') ? text.substr(1, text.size() - 2) : text);
  if (value) return *value;
  return fail(error_at(row,
                       is_blank(row, column)
                           ? fmt::format("{} is blank, wanted a number", columns_[column])
                           : fmt::format("{} is '{}', wanted a number{}",
                                         columns_[column],
                                         printable(cell(row, column)),
                                         text.find(',') == std::string_view::npos
                                             ? ""
                                             : "; decimals stand behind a point")));
}

Error CsvTable::error_at(std::size_t row, std::string_view message) const {
  return {ErrorCode::kUnreadable, fmt::format("{}:{}: {}", source_, line(row), message)};
}

void CsvTable::set_cell(std::size_t row, std::size_t column, std::string_view text) {
  assert(row < num_rows() && column < columns_.size());
  if (new_of_cell_.empty()) new_of_cell_.assign(cells_.size(), kUnchanged);
  const std::size_t begin = new_text_.size();
  new_text_ += cell_of_row(text, columns_.size(), separator_);
  new_of_cell_[row * columns_.size() + column] = static_cast<std::uint32_t>(new_cells_.size());
  new_cells_.push_back({begin, new_text_.size()});
}

std::string CsvTable::text() const {
  if (new_of_cell_.empty()) return content_;
  std::string text;
  text.reserve(content_.size() + new_text_.size());
  std::size_t copied = 0;
  for (std::size_t i = 0; i < cells_.size(); ++i) {
    if (new_of_cell_[i] == kUnchanged) continue;
    const LongSpan replacement = new_cells_[new_of_cell_[i]];
    text.append(content_, copied, cells_[i].begin - copied);
    text.append(new_text_, replacement.begin, replacement.end - replacement.begin);
    copied = cells_[i].end;
  }
  text.append(content_, copied);
  return text;
}

std::string csv_cell(std::string_view text, char separator) {
  const bool outer_blanks = trim(text).size() != text.size();
  const char special[] = {separator, '"', '\r', '\n', '\0'};
  if (!outer_blanks && !text.starts_with('#') &&
      text.find_first_of(special) == std::string_view::npos) {
    return std::string(text);
  }
  std::string quoted = "\"";
  for (const char c : text) {
    quoted += c;
    if (c == '"') quoted += '"';
  }
  return quoted + '"';
}

CsvWriter::CsvWriter(std::span<const std::string_view> columns,
                     std::span<const CsvComment> comments)
    : num_columns_(columns.size()) {
  for (const CsvComment& comment : comments) {
    text_ += comment.key.empty()
                 ? fmt::format("# {}\n", one_line(comment.value))
                 : fmt::format("# {}: {}\n", one_line(comment.key), one_line(comment.value));
  }
  for (std::size_t i = 0; i < columns.size(); ++i) {
    if (i > 0) text_ += ',';
    text_ += csv_cell(columns[i]);
  }
  text_ += '\n';
}

void CsvWriter::add_row(std::span<const std::string> cells) {
  assert(cells.size() == num_columns_);
  for (std::size_t i = 0; i < cells.size(); ++i) {
    if (i > 0) text_ += ',';
    text_ += cell_of_row(cells[i], num_columns_);
  }
  text_ += '\n';
}

}  // namespace trueplate
