#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"

namespace trueplate {

/// One leading comment line, `# key: value`. A line without a colon is all value, its key empty.
struct CsvComment {
  std::string key;
  std::string value;

  friend bool operator==(const CsvComment&, const CsvComment&) = default;
};

/// How a file calls its columns where not as it is wanted: the name wanted, and the file's.
using ColumnNames = std::vector<std::pair<std::string, std::string>>;

/// `x=u,y=v` with each name wanted at most once, and one of `wanted`. The file's name is all up to
/// the next comma; no two of `wanted` may get one column. Blank text is no names.
Result<ColumnNames> parse_column_names(std::string_view text,
                                       std::span<const std::string_view> wanted);

/// What a CSV file may ask for before it is taken for damaged or hostile.
struct CsvLimits {
  std::size_t max_bytes = std::size_t{512} << 20;  // at most 4 GiB
  std::size_t max_cells = std::size_t{64} << 20;
  std::size_t max_columns = 1024;
};

/// A CSV file in memory that can be looked at by column name, changed cell by cell, and written
/// back with every byte that was not changed as it came: line ends, quoting, blank lines, comments,
/// a byte order mark.
///
/// The file is RFC 4180 (comma, quotes doubled inside quotes, a quoted cell may hold line breaks)
/// with these additions: where the header row has no comma but tabs or semicolons, those separate
/// the cells; lines end with LF or CRLF; a UTF-8 byte order mark is skipped; lines that
/// begin with `#` may stand before the header row and nowhere else; blank lines are skipped. Each
/// row has as many cells as the header. Bytes that are not UTF-8 pass through.
///
/// Errors name the source, the line and the column: `tracks.csv:17: x is 'abc', wanted a number`.
/// Rows and columns count from 0, lines of the file from 1. const members are safe to call
/// together.
class CsvTable {
 public:
  /// `source` names the file in messages.
  static Result<CsvTable> parse(std::string content,
                                std::string source,
                                const CsvLimits& limits = {});
  static Result<CsvTable> read(const std::filesystem::path& path, const CsvLimits& limits = {});

  [[nodiscard]] const std::string& source() const { return source_; }
  [[nodiscard]] std::size_t num_rows() const { return line_of_row_.size(); }
  [[nodiscard]] std::span<const std::string> columns() const { return columns_; }

  /// From now on columns are looked for by the names that the file has for them.
  void set_column_names(ColumnNames names) { names_ = std::move(names); }

  /// The column called `name` (exactly; blanks around a header cell do not count). An absent column
  /// is an error that lists those there are; a name that stands twice is an error for both calls.
  Result<std::size_t> column(std::string_view name) const;
  Result<std::optional<std::size_t>> find_column(std::string_view name) const;

  /// The comments in file order, and the value of one: absent is nullopt, twice is an error.
  [[nodiscard]] std::span<const CsvComment> comments() const { return comments_; }
  Result<std::optional<std::string>> comment(std::string_view key) const;

  /// The value of `# image: WIDTHxHEIGHT`; nullopt when there is no such line.
  Result<std::optional<ImageSize>> image_size() const;

  /// A cell as text, quotes removed.
  [[nodiscard]] std::string cell(std::size_t row, std::size_t column) const;
  /// Whether a cell holds nothing but blanks.
  [[nodiscard]] bool is_blank(std::size_t row, std::size_t column) const;
  /// Whether a cell says NaN or infinity (nan, inf, infinity), in letters of any case, with or
  /// without a sign.
  [[nodiscard]] bool is_not_finite(std::size_t row, std::size_t column) const;
  /// A cell as a finite number; anything else is an error.
  Result<double> number(std::size_t row, std::size_t column) const;

  /// The line of the file on which a row begins.
  [[nodiscard]] std::size_t line(std::size_t row) const { return line_of_row_[row]; }
  /// `source:line: message`, for errors of the caller about one row.
  [[nodiscard]] Error error_at(std::size_t row, std::string_view message) const;

  /// Replaces a cell; quotes are added where the text needs them.
  void set_cell(std::size_t row, std::size_t column, std::string_view text);

  /// The whole file with the replacements.
  [[nodiscard]] std::string text() const;

 private:
  struct Span {
    std::uint32_t begin = 0;
    std::uint32_t end = 0;
  };
  struct LongSpan {
    std::size_t begin = 0;
    std::size_t end = 0;
  };
  class Parser;

  CsvTable() = default;
  [[nodiscard]] std::string_view name_in_file(std::string_view name) const;
  [[nodiscard]] std::string_view as_written(std::size_t row, std::size_t column) const;

  std::string content_;
  std::string source_;
  std::vector<CsvComment> comments_;
  char separator_ = ',';
  std::vector<std::string> columns_;
  ColumnNames names_;
  std::size_t header_line_ = 0;
  std::vector<Span> cells_;  // row by row, the header left out; quotes included
  std::vector<std::uint32_t> line_of_row_;
  std::string new_text_;                    // all replacements, as written
  std::vector<LongSpan> new_cells_;         // parts of new_text_
  std::vector<std::uint32_t> new_of_cell_;  // empty, or for each of cells_ an index into new_cells_
};

/// Builds a CSV text: comments, the header, then rows; LF line ends, quotes where needed.
class CsvWriter {
 public:
  /// Line breaks in a comment become blanks, since a comment is one line.
  explicit CsvWriter(std::span<const std::string_view> columns,
                     std::span<const CsvComment> comments = {});

  /// Appends one row; it must have as many cells as there are columns.
  void add_row(std::span<const std::string> cells);

  [[nodiscard]] const std::string& text() const { return text_; }

 private:
  std::size_t num_columns_;
  std::string text_;
};

/// `text` as one CSV cell: unchanged, or in quotes when it holds the separator, a quote, a line
/// break, outer blanks or a leading `#`.
[[nodiscard]] std::string csv_cell(std::string_view text, char separator = ',');

}  // namespace trueplate
