#include "calib/exchange/points.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "calib/base/csv.h"
#include "calib/base/text.h"

namespace trueplate::exchange {
namespace {

Result<lens::Lens> lens_for(const CsvTable& table, const lens::Lens& lens) {
  const Result<std::optional<ImageSize>> size = table.image_size();
  if (!size) return fail(size.error());
  if (!*size) return lens;
  Result<lens::Lens> scaled = lens::for_picture_of(lens, **size);
  if (!scaled) {
    return fail(scaled.error().code, fmt::format("{}: {}", table.source(), scaled.error().message));
  }
  return scaled;
}

/// How far outside the plate a point lies; 0 inside.
double distance_from(ImageSize plate, const Point2d& p_plate_px) {
  const Point2d size(plate.width, plate.height);
  const Point2d nearest = p_plate_px.cwiseMax(0.0).cwiseMin(size);
  return (p_plate_px - nearest).norm();
}

}  // namespace

Result<TransformedPoints> transform_points(std::string content,
                                           std::string source,
                                           const lens::Lens& lens,
                                           PointsDirection direction) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  Result<CsvTable> table = CsvTable::parse(std::move(content), std::move(source));
  if (!table) return fail(table.error());
  const Result<std::size_t> x_column = table->column("x");
  if (!x_column) return fail(x_column.error());
  const Result<std::size_t> y_column = table->column("y");
  if (!y_column) return fail(y_column.error());
  const Result<lens::Lens> scaled = lens_for(*table, lens);
  if (!scaled) return fail(scaled.error());

  PointsReport report;
  report.num_rows = table->num_rows();
  report.image_size = scaled->plate_size;
  report.lens_scaled = scaled->plate_size != lens.plate_size;
  const auto transform =
      direction == PointsDirection::kUndistort ? lens::undistort_px : lens::distort_px;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    if (table->is_blank(row, *x_column) && table->is_blank(row, *y_column)) {
      ++report.num_gaps;
      continue;
    }
    const Result<double> x = table->number(row, *x_column);
    if (!x) return fail(x.error());
    const Result<double> y = table->number(row, *y_column);
    if (!y) return fail(y.error());
    const Point2d before(*x, *y);
    const std::optional<Point2d> after = transform(*scaled, before);
    if (after && after->allFinite()) {
      table->set_cell(row, *x_column, to_lossless_text(after->x()));
      table->set_cell(row, *y_column, to_lossless_text(after->y()));
      report.max_shift_px = std::max(report.max_shift_px, (*after - before).norm());
      const double outside = distance_from(
          scaled->plate_size, direction == PointsDirection::kUndistort ? before : *after);
      if (outside > 0.0) ++report.num_outside_plate;
      report.max_outside_px = std::max(report.max_outside_px, outside);
      ++report.num_moved;
      continue;
    }
    table->set_cell(row, *x_column, "");
    table->set_cell(row, *y_column, "");
    ++report.num_without_answer;
    if (report.lines_without_answer.size() < PointsReport::kMaxListedLines) {
      report.lines_without_answer.push_back(table->line(row));
    }
  }
  return TransformedPoints{table->text(), std::move(report)};
}

Result<PointsReport> transform_points_file(const std::filesystem::path& input,
                                           const std::filesystem::path& output,
                                           const lens::Lens& lens,
                                           PointsDirection direction,
                                           Overwrite overwrite) {
  Result<std::string> content = read_text_file(input, CsvLimits{}.max_bytes);
  if (!content) return fail(content.error());
  Result<TransformedPoints> transformed =
      transform_points(std::move(*content), input.string(), lens, direction);
  if (!transformed) return fail(transformed.error());
  if (Result<void> written = write_text_file(output, transformed->text, overwrite); !written) {
    return fail(written.error());
  }
  return std::move(transformed->report);
}

}  // namespace trueplate::exchange
