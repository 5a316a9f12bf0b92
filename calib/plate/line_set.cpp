#include "calib/plate/line_set.h"

#include <fmt/format.h>

#include <array>
#include <map>
#include <optional>
#include <string_view>
#include <utility>

#include "calib/base/atomic_file.h"
#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::plate {
namespace {

struct Columns {
  std::size_t line = 0;
  std::size_t x = 0;
  std::size_t y = 0;
  std::optional<std::size_t> frame;
};

Result<Columns> columns_of(const CsvTable& table) {
  Columns columns;
  const std::array<std::pair<const char*, std::size_t*>, 3> wanted{
      {{"line", &columns.line}, {"x", &columns.x}, {"y", &columns.y}}};
  for (const auto& [name, index] : wanted) {
    const Result<std::size_t> found = table.column(name);
    if (!found) return fail(found.error());
    *index = *found;
  }
  const Result<std::optional<std::size_t>> frame = table.find_column("frame");
  if (!frame) return fail(frame.error());
  columns.frame = *frame;
  return columns;
}

/// A point of a row. Farther outside than the plate is large, it is a wrong `image` or unit.
Result<Point2d> point_of(const CsvTable& table,
                         std::size_t row,
                         const Columns& columns,
                         ImageSize plate) {
  const Result<double> x = table.number(row, columns.x);
  if (!x) return fail(x.error());
  const Result<double> y = table.number(row, columns.y);
  if (!y) return fail(y.error());
  const auto is_near = [](double value, int size) { return value >= -size && value <= 2.0 * size; };
  if (is_near(*x, plate.width) && is_near(*y, plate.height)) return Point2d(*x, *y);
  return fail(table.error_at(row,
                             fmt::format("({}, {}) px is far outside the plate of {}x{}; check "
                                         "'# image:'",
                                         *x,
                                         *y,
                                         plate.width,
                                         plate.height)));
}

}  // namespace

std::string title_of(const LineChain& chain) {
  const std::string name = printable(chain.name);
  return chain.frame.empty() ? fmt::format("line {}", name)
                             : fmt::format("{}: line {}", printable(chain.frame), name);
}

Result<LineSet> parse_lines(std::string content, std::string source) {
  const Result<CsvTable> table = CsvTable::parse(std::move(content), std::move(source));
  if (!table) return fail(table.error());
  const Result<std::optional<ImageSize>> plate = table->image_size();
  if (!plate) return fail(plate.error());
  if (!*plate) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: no comment '# image: WIDTHxHEIGHT' above the header row; it "
                            "states the plate the lines were measured on",
                            table->source()));
  }
  const Result<Columns> columns = columns_of(*table);
  if (!columns) return fail(columns.error());
  if (table->num_rows() == 0) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: holds no points below the header row", table->source()));
  }
  LineSet lines{.plate_size = **plate, .chains = {}};
  std::map<std::pair<std::string, std::string>, std::size_t> places;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    const std::string name = table->cell(row, columns->line);
    if (trim(name).empty()) {
      return fail(table->error_at(row, "line is blank, wanted the name of a line"));
    }
    const std::string frame = columns->frame ? table->cell(row, *columns->frame) : std::string();
    const Result<Point2d> point = point_of(*table, row, *columns, **plate);
    if (!point) return fail(point.error());
    const auto [entry, is_new] = places.try_emplace({frame, name}, lines.chains.size());
    if (is_new) lines.chains.push_back({.name = name, .frame = frame, .points_px = {}});
    lines.chains[entry->second].points_px.push_back(*point);
  }
  return lines;
}

Result<LineSet> read_lines(const std::filesystem::path& path) {
  Result<std::string> content = read_text_file(path);
  if (!content) return fail(content.error());
  return parse_lines(*std::move(content), path.string());
}

std::string lines_text(const LineSet& lines) {
  bool has_frames = false;
  for (const LineChain& chain : lines.chains) has_frames = has_frames || !chain.frame.empty();
  std::vector<std::string_view> columns{"line", "x", "y"};
  if (has_frames) columns.emplace_back("frame");
  const std::array comments{
      CsvComment{"image", fmt::format("{}x{}", lines.plate_size.width, lines.plate_size.height)}};
  CsvWriter writer(columns, comments);
  for (const LineChain& chain : lines.chains) {
    for (const Point2d& p_px : chain.points_px) {
      std::vector<std::string> cells{
          chain.name, to_lossless_text(p_px.x()), to_lossless_text(p_px.y())};
      if (has_frames) cells.push_back(chain.frame);
      writer.add_row(cells);
    }
  }
  return writer.text();
}

}  // namespace trueplate::plate
