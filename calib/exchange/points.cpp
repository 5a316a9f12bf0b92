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

bool is_larger(const StraightFrame& straight) {
  return straight.left != 0 || straight.top != 0 || straight.right != 0 || straight.bottom != 0;
}

ImageSize straight_size(const lens::Lens& lens, const StraightFrame& straight) {
  return {lens.plate_size.width + straight.left + straight.right,
          lens.plate_size.height + straight.top + straight.bottom};
}

/// Whether the file's picture is the one that the straight frame was meant for.
Result<void> check_size(const CsvTable& table, ImageSize wanted) {
  const Result<std::optional<ImageSize>> size = table.image_size();
  if (!size) return fail(size.error());
  if (!*size || **size == wanted) return {};
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: the points are of a {}x{} picture, with this overscan wanted {}x{}",
                          table.source(),
                          (*size)->width,
                          (*size)->height,
                          wanted.width,
                          wanted.height));
}

/// `text` with the size in its comment `# image:` replaced.
std::string with_size(std::string text, ImageSize before, ImageSize after) {
  const std::string old_size = fmt::format("{}x{}", before.width, before.height);
  const std::size_t comment = text.find("image:");
  const std::size_t place = comment == std::string::npos ? comment : text.find(old_size, comment);
  if (place == std::string::npos || text.find('\n', comment) < place) return text;
  return text.replace(place, old_size.size(), fmt::format("{}x{}", after.width, after.height));
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
                                           PointsDirection direction,
                                           const StraightFrame& straight) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  Result<CsvTable> table = CsvTable::parse(std::move(content), std::move(source));
  if (!table) return fail(table.error());
  const Result<std::size_t> x_column = table->column("x");
  if (!x_column) return fail(x_column.error());
  const Result<std::size_t> y_column = table->column("y");
  if (!y_column) return fail(y_column.error());
  const bool undistorts = direction == PointsDirection::kUndistort;
  const ImageSize whole = straight_size(lens, straight);
  if (is_larger(straight)) {
    const Result<void> fits = check_size(*table, undistorts ? lens.plate_size : whole);
    if (!fits) return fail(fits.error());
  }
  const Result<lens::Lens> scaled =
      is_larger(straight) ? Result<lens::Lens>(lens) : lens_for(*table, lens);
  if (!scaled) return fail(scaled.error());

  PointsReport report;
  report.num_rows = table->num_rows();
  report.image_size = scaled->plate_size;
  report.lens_scaled = scaled->plate_size != lens.plate_size;
  const auto transform = undistorts ? lens::undistort_px : lens::distort_px;
  const Point2d corner(straight.left, straight.top);
  const Point2d add_before = undistorts ? Point2d(0.0, 0.0) : Point2d(-corner);
  const Point2d add_after = undistorts ? corner : Point2d(0.0, 0.0);
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    if (table->is_blank(row, *x_column) && table->is_blank(row, *y_column)) {
      ++report.num_gaps;
      continue;
    }
    const Result<double> x = table->number(row, *x_column);
    if (!x) return fail(x.error());
    const Result<double> y = table->number(row, *y_column);
    if (!y) return fail(y.error());
    const Point2d before = Point2d(*x, *y) + add_before;
    const std::optional<Point2d> after = transform(*scaled, before);
    if (after && after->allFinite()) {
      const Point2d written = *after + add_after;
      table->set_cell(row, *x_column, to_lossless_text(written.x()));
      table->set_cell(row, *y_column, to_lossless_text(written.y()));
      report.max_shift_px = std::max(report.max_shift_px, (*after - before).norm());
      const double outside = distance_from(scaled->plate_size, undistorts ? before : *after);
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
  std::string text = table->text();
  if (is_larger(straight)) {
    text = undistorts ? with_size(std::move(text), lens.plate_size, whole)
                      : with_size(std::move(text), whole, lens.plate_size);
  }
  return TransformedPoints{std::move(text), std::move(report)};
}

Result<PointsReport> transform_points_file(const std::filesystem::path& input,
                                           const std::filesystem::path& output,
                                           const lens::Lens& lens,
                                           PointsDirection direction,
                                           Overwrite overwrite,
                                           const StraightFrame& straight) {
  Result<std::string> content = read_text_file(input, CsvLimits{}.max_bytes);
  if (!content) return fail(content.error());
  Result<TransformedPoints> transformed =
      transform_points(std::move(*content), input.string(), lens, direction, straight);
  if (!transformed) return fail(transformed.error());
  if (Result<void> written = write_text_file(output, transformed->text, overwrite); !written) {
    return fail(written.error());
  }
  return std::move(transformed->report);
}

}  // namespace trueplate::exchange
