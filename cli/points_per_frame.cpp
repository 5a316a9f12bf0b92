#include "cli/points_per_frame.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/csv_comment.h"
#include "calib/base/text.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

std::vector<std::string> cells_of(const CsvTable& table, std::size_t row) {
  std::vector<std::string> cells;
  for (std::size_t column = 0; column < table.columns().size(); ++column) {
    cells.push_back(table.cell(row, column));
  }
  return cells;
}

CsvWriter writer_like(const CsvTable& table) {
  const std::vector<std::string_view> columns(table.columns().begin(), table.columns().end());
  return CsvWriter(columns, table.comments());
}

/// The rows of the table by the frame they are of.
Result<std::map<int, std::vector<std::size_t>>> rows_by_frame(const CsvTable& table,
                                                              const FrameLenses& lenses) {
  const Result<std::size_t> column = table.column("frame");
  if (!column) return fail(column.error());
  std::map<int, std::vector<std::size_t>> rows;
  for (std::size_t row = 0; row < table.num_rows(); ++row) {
    const std::string cell = table.cell(row, *column);
    const std::optional<int> frame = parse_int(trim(cell));
    if (!frame) {
      return fail(table.error_at(row, fmt::format("frame is '{}', wanted a whole number", cell)));
    }
    if (!lenses.at_frames().contains(*frame)) {
      return fail(table.error_at(row, fmt::format("frame {} has no lens", *frame)));
    }
    rows[*frame].push_back(row);
  }
  return rows;
}

/// `one`, of the rows of a frame, into the report of all.
void add_report(exchange::PointsReport& all, const exchange::PointsReport& one) {
  all.num_rows += one.num_rows;
  all.num_moved += one.num_moved;
  all.num_gaps += one.num_gaps;
  all.num_without_answer += one.num_without_answer;
  all.max_shift_px = std::max(all.max_shift_px, one.max_shift_px);
  all.max_angle_deg = std::max(all.max_angle_deg, one.max_angle_deg);
  all.num_outside_plate += one.num_outside_plate;
  all.max_outside_px = std::max(all.max_outside_px, one.max_outside_px);
  all.image_size = one.image_size;
  all.lens_scaled = all.lens_scaled || one.lens_scaled;
}

}  // namespace

Result<exchange::PointsReport> transform_points_per_frame(const std::string& input,
                                                          const std::string& output,
                                                          const FrameLenses& lenses,
                                                          exchange::PointsDirection direction,
                                                          Overwrite overwrite,
                                                          const exchange::StraightFrame& straight,
                                                          const ColumnNames& columns) {
  Result<CsvTable> table = CsvTable::read(input);
  if (!table) return fail(table.error());
  table->set_column_names(columns);
  const Result<std::map<int, std::vector<std::size_t>>> groups = rows_by_frame(*table, lenses);
  if (!groups) return fail(groups.error());
  if (groups->empty()) {
    return fail(ErrorCode::kInvalidInput, fmt::format("{}: holds no rows", input));
  }
  exchange::PointsReport report;
  std::optional<CsvTable> like;  // any of the results: columns and comments
  std::vector<std::vector<std::string>> moved(table->num_rows());
  for (const auto& [frame, rows] : *groups) {
    CsvWriter writer = writer_like(*table);
    for (const std::size_t row : rows) writer.add_row(cells_of(*table, row));
    const std::string source = fmt::format("{}, rows of frame {}", input, frame);
    const Result<CsvTable> part = CsvTable::parse(writer.text(), source);
    if (!part) return fail(part.error());
    const Result<exchange::TransformedPoints> transformed = exchange::transform_points(
        writer.text(), source, lenses.lens(frame), direction, straight, columns);
    if (!transformed) return fail(transformed.error());
    Result<CsvTable> result = CsvTable::parse(transformed->text, source);
    if (!result) return fail(result.error());
    for (std::size_t i = 0; i < rows.size(); ++i) moved[rows[i]] = cells_of(*result, i);
    add_report(report, transformed->report);
    for (const std::size_t line : transformed->report.lines_without_answer) {
      for (std::size_t i = 0; i < rows.size(); ++i) {
        if (part->line(i) == line) report.lines_without_answer.push_back(table->line(rows[i]));
      }
    }
    like = *std::move(result);
  }
  std::sort(report.lines_without_answer.begin(), report.lines_without_answer.end());
  CsvWriter writer = writer_like(*like);
  for (const std::vector<std::string>& row : moved) writer.add_row(row);
  const std::string text =
      with_comment(writer.text(), "program", fmt::format("trueplate {}", kVersion));
  if (Result<void> written = write_text_file(output, text, overwrite); !written) {
    return fail(written.error());
  }
  return report;
}

}  // namespace trueplate::cli
