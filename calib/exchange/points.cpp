#include "calib/exchange/points.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/csv_comment.h"
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

/// Whether a row has no point: all blank, or one of its numbers NaN.
bool is_gap(const CsvTable& table, std::size_t row, std::span<const std::size_t> columns) {
  const auto is_blank = [&](std::size_t column) { return table.is_blank(row, column); };
  const auto is_nan = [&](std::size_t column) { return table.is_not_finite(row, column); };
  return std::all_of(columns.begin(), columns.end(), is_blank) ||
         std::any_of(columns.begin(), columns.end(), is_nan);
}

/// How far outside the plate a point lies; 0 inside.
double distance_from(ImageSize plate, const Point2d& p_plate_px) {
  const Point2d size(plate.width, plate.height);
  const Point2d nearest = p_plate_px.cwiseMax(0.0).cwiseMin(size);
  return (p_plate_px - nearest).stableNorm();
}

/// A row whose point the lens cannot map.
void note_without_answer(const CsvTable& table, std::size_t row, PointsReport& report) {
  ++report.num_without_answer;
  if (report.lines_without_answer.size() < PointsReport::kMaxListedLines) {
    report.lines_without_answer.push_back(table.line(row));
  }
}

void note_place_on_plate(const Point2d& p_plate_px, PointsReport& report) {
  const double outside = distance_from(report.image_size, p_plate_px);
  if (outside > 0.0) ++report.num_outside_plate;
  report.max_outside_px = std::max(report.max_outside_px, outside);
}

constexpr std::array<std::string_view, 2> kPlateColumns{"x", "y"};
constexpr std::array<std::string_view, 3> kRayColumns{"ray_x", "ray_y", "ray_z"};

/// The row's point in the other form; empty when there is none.
std::vector<double> converted(const lens::Lens& lens,
                              std::span<const double> from,
                              PointsReport& report) {
  const bool to_ray = from.size() == kPlateColumns.size();
  const auto take_ray = [&](const Eigen::Vector3d& ray) {
    const double angle = std::atan2(std::hypot(ray.x(), ray.y()), ray.z());
    report.max_angle_deg = std::max(report.max_angle_deg, angle * 180.0 / std::numbers::pi);
  };
  if (to_ray) {
    const Point2d p_px(from[0], from[1]);
    const auto ray = lens::undistort_to_ray(lens.model, lens::ideal_from_px(lens, p_px));
    if (!ray || !ray->allFinite()) return {};
    take_ray(*ray);
    note_place_on_plate(p_px, report);
    return {ray->x(), ray->y(), ray->z()};
  }
  const Eigen::Vector3d ray(from[0], from[1], from[2]);
  const auto p = lens::distort_ray(lens.model, ray);
  if (!p) return {};
  const Point2d p_px = lens::px_from_ideal(lens, *p);
  if (!p_px.allFinite()) return {};
  take_ray(ray);
  note_place_on_plate(p_px, report);
  return {p_px.x(), p_px.y()};
}

/// The table with the columns `to` in the place of the columns `from`.
Result<std::string> exchange_columns(const CsvTable& table,
                                     const lens::Lens& lens,
                                     std::span<const std::string_view> from,
                                     std::span<const std::string_view> to,
                                     PointsReport& report) {
  std::vector<std::size_t> taken;
  for (const std::string_view name : from) {
    const Result<std::size_t> column = table.column(name);
    if (!column) return fail(column.error());
    taken.push_back(*column);
  }
  for (const std::string_view name : to) {
    const auto present = table.find_column(name);
    if (!present) return fail(present.error());
    if (*present) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: the column '{}' that is to be written is there already; take it "
                              "out or name it otherwise",
                              table.source(),
                              name));
    }
  }
  // The others as they stand, the new ones where the first of the old ones is.
  const auto is_taken = [&](std::size_t column) {
    return std::find(taken.begin(), taken.end(), column) != taken.end();
  };
  std::vector<std::string_view> header;
  for (std::size_t i = 0; i < table.columns().size(); ++i) {
    if (i == taken.front()) header.insert(header.end(), to.begin(), to.end());
    if (!is_taken(i)) header.push_back(table.columns()[i]);
  }
  CsvWriter writer(header, table.comments());
  std::vector<double> point(from.size());
  for (std::size_t row = 0; row < table.num_rows(); ++row) {
    const bool gap = is_gap(table, row, taken);
    for (std::size_t i = 0; i < taken.size() && !gap; ++i) {
      const Result<double> value = table.number(row, taken[i]);
      if (!value) return fail(value.error());
      point[i] = *value;
    }
    const std::vector<double> answer = gap ? std::vector<double>() : converted(lens, point, report);
    if (gap) {
      ++report.num_gaps;
    } else if (answer.empty()) {
      note_without_answer(table, row, report);
    } else {
      ++report.num_moved;
    }
    std::vector<std::string> cells;
    for (std::size_t i = 0; i < table.columns().size(); ++i) {
      for (std::size_t k = 0; i == taken.front() && k < to.size(); ++k) {
        cells.push_back(answer.empty() ? "" : to_lossless_text(answer[k]));
      }
      if (!is_taken(i)) cells.push_back(table.cell(row, i));
    }
    writer.add_row(cells);
  }
  return writer.text();
}

/// Points to rays or back.
Result<TransformedPoints> transform_rays(const CsvTable& table,
                                         const lens::Lens& lens,
                                         PointsDirection direction) {
  const Result<lens::Lens> scaled = lens_for(table, lens);
  if (!scaled) return fail(scaled.error());
  PointsReport report;
  report.num_rows = table.num_rows();
  report.image_size = scaled->plate_size;
  report.lens_scaled = scaled->plate_size != lens.plate_size;
  Result<std::string> text =
      direction == PointsDirection::kToRays
          ? exchange_columns(table, *scaled, kPlateColumns, kRayColumns, report)
          : exchange_columns(table, *scaled, kRayColumns, kPlateColumns, report);
  if (!text) return fail(text.error());
  return TransformedPoints{*std::move(text), std::move(report)};
}

}  // namespace

Result<TransformedPoints> transform_points(std::string content,
                                           std::string source,
                                           const lens::Lens& lens,
                                           PointsDirection direction,
                                           const StraightFrame& straight,
                                           const ColumnNames& columns) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  Result<CsvTable> table = CsvTable::parse(std::move(content), std::move(source));
  if (!table) return fail(table.error());
  table->set_column_names(columns);
  if (direction == PointsDirection::kToRays || direction == PointsDirection::kFromRays) {
    if (is_larger(straight)) {
      return fail(ErrorCode::kInvalidInput,
                  "rays have no straight picture, so no overscan of it either");
    }
    return transform_rays(*table, lens, direction);
  }
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
    if (is_gap(*table, row, std::array{*x_column, *y_column})) {
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
      note_place_on_plate(undistorts ? before : *after, report);
      ++report.num_moved;
      continue;
    }
    table->set_cell(row, *x_column, "");
    table->set_cell(row, *y_column, "");
    note_without_answer(*table, row, report);
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
                                           const StraightFrame& straight,
                                           const ColumnNames& columns,
                                           std::string_view program) {
  Result<std::string> content = read_text_file(input, CsvLimits{}.max_bytes);
  if (!content) return fail(content.error());
  Result<TransformedPoints> transformed =
      transform_points(std::move(*content), input.string(), lens, direction, straight, columns);
  if (!transformed) return fail(transformed.error());
  std::string text = std::move(transformed->text);
  if (!program.empty()) text = with_comment(std::move(text), "program", program);
  if (Result<void> written = write_text_file(output, text, overwrite); !written) {
    return fail(written.error());
  }
  return std::move(transformed->report);
}

}  // namespace trueplate::exchange
