#include "calib/footage/observations.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <optional>
#include <unordered_map>
#include <utility>

#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::footage {
namespace {

using target::Corner;
using target::View;

using ChartPoint = std::array<double, 3>;

ChartPoint chart_point(const Corner& corner) {
  // Adding zero turns -0 into 0, so that both are the same place.
  return {corner.p_chart_mm.x() + 0.0, corner.p_chart_mm.y() + 0.0, corner.p_chart_mm.z() + 0.0};
}

std::string place_of(const Corner& corner) {
  return fmt::format(
      "({}, {}, {}) mm", corner.p_chart_mm.x(), corner.p_chart_mm.y(), corner.p_chart_mm.z());
}

/// Farther outside than the plate is large, a point is no observation but a wrong `image` or unit.
std::optional<std::string> position_complaint(const Point2d& p_px, ImageSize plate) {
  const std::array<std::pair<const char*, int>, 2> axes{{{"x", plate.width}, {"y", plate.height}}};
  for (int i = 0; i < 2; ++i) {
    const auto& [name, size] = axes[static_cast<std::size_t>(i)];
    if (p_px[i] >= -size && p_px[i] <= 2.0 * size) continue;
    return fmt::format("{} is {} px, far outside the plate of {}x{}; check '# image:'",
                       name,
                       p_px[i],
                       plate.width,
                       plate.height);
  }
  return std::nullopt;
}

/// The columns of an observations file.
struct Columns {
  std::size_t frame = 0;
  std::size_t chart_x = 0;
  std::size_t chart_y = 0;
  std::size_t x = 0;
  std::size_t y = 0;
  std::optional<std::size_t> chart_z;
  std::optional<std::size_t> sigma;
};

Result<Columns> columns_of(const CsvTable& table) {
  Columns columns;
  const std::array<std::pair<const char*, std::size_t*>, 5> wanted{
      {{"frame", &columns.frame},
       {"chart_x_mm", &columns.chart_x},
       {"chart_y_mm", &columns.chart_y},
       {"x", &columns.x},
       {"y", &columns.y}}};
  for (const auto& [name, index] : wanted) {
    const Result<std::size_t> found = table.column(name);
    if (!found) return fail(found.error());
    *index = *found;
  }
  const Result<std::optional<std::size_t>> chart_z = table.find_column("chart_z_mm");
  if (!chart_z) return fail(chart_z.error());
  const Result<std::optional<std::size_t>> sigma = table.find_column("sigma_px");
  if (!sigma) return fail(sigma.error());
  columns.chart_z = *chart_z;
  columns.sigma = *sigma;
  return columns;
}

Result<Corner> corner_of(const CsvTable& table, std::size_t row, const Columns& columns) {
  Corner corner;
  const std::array<std::pair<std::size_t, double*>, 4> wanted{
      {{columns.chart_x, &corner.p_chart_mm.x()},
       {columns.chart_y, &corner.p_chart_mm.y()},
       {columns.x, &corner.p_plate_px.x()},
       {columns.y, &corner.p_plate_px.y()}}};
  for (const auto& [column, value] : wanted) {
    const Result<double> number = table.number(row, column);
    if (!number) return fail(number.error());
    *value = *number;
  }
  if (columns.chart_z && !table.is_blank(row, *columns.chart_z)) {
    const Result<double> z = table.number(row, *columns.chart_z);
    if (!z) return fail(z.error());
    corner.p_chart_mm.z() = *z;
  }
  if (columns.sigma && !table.is_blank(row, *columns.sigma)) {
    const Result<double> sigma = table.number(row, *columns.sigma);
    if (!sigma) return fail(sigma.error());
    if (*sigma <= 0.0) {
      return fail(table.error_at(
          row, fmt::format("sigma_px is {}, wanted a number above zero, or blank", *sigma)));
    }
    corner.sigma_px = *sigma;
  }
  return corner;
}

}  // namespace

Result<Observations> parse_observations(std::string content, std::string source) {
  const Result<CsvTable> table = CsvTable::parse(std::move(content), std::move(source));
  if (!table) return fail(table.error());
  const Result<std::optional<ImageSize>> plate = table->image_size();
  if (!plate) return fail(plate.error());
  if (!*plate) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format("{}: no comment '# image: WIDTHxHEIGHT' above the header row; it states "
                    "the plate the points were measured on",
                    table->source()));
  }
  const Result<Columns> columns = columns_of(*table);
  if (!columns) return fail(columns.error());

  Observations observations;
  for (const CsvComment& comment : table->comments()) {
    if (comment.key != "image") observations.comments.push_back(comment);
  }
  std::unordered_map<std::string, std::size_t> view_of_frame;
  std::vector<std::map<ChartPoint, std::size_t>> row_of_chart_point;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    const std::string frame = table->cell(row, columns->frame);
    if (trim(frame).empty()) {
      return fail(table->error_at(row, "frame is blank, wanted the name of a frame"));
    }
    const Result<Corner> corner = corner_of(*table, row, *columns);
    if (!corner) return fail(corner.error());
    if (const auto complaint = position_complaint(corner->p_plate_px, **plate)) {
      return fail(table->error_at(row, *complaint));
    }
    const auto [entry, is_new] = view_of_frame.try_emplace(frame, observations.views.size());
    if (is_new) {
      observations.views.push_back({.frame = frame, .plate_size = **plate, .corners = {}});
      row_of_chart_point.emplace_back();
    }
    const auto [earlier, is_first] =
        row_of_chart_point[entry->second].try_emplace(chart_point(*corner), row);
    if (!is_first) {
      return fail(table->error_at(
          row,
          fmt::format("the chart point {} stands twice in frame '{}', also on line {}",
                      place_of(*corner),
                      printable(frame),
                      table->line(earlier->second))));
    }
    observations.views[entry->second].corners.push_back(*corner);
  }
  if (observations.views.empty()) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: no rows below the header, wanted one row for each corner",
                            table->source()));
  }
  return observations;
}

Result<Observations> read_observations(const std::filesystem::path& path) {
  Result<std::string> content = read_text_file(path, CsvLimits{}.max_bytes);
  if (!content) return fail(content.error());
  return parse_observations(std::move(*content), path.string());
}

namespace {

/// The reader's rules, so that what is written can be read.
Result<void> check_view(const View& view, ImageSize plate) {
  const auto refuse = [&](std::string_view what) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("frame '{}': {}", printable(view.frame), what));
  };
  if (trim(view.frame).empty()) return refuse("has no name");
  if (view.frame.find('\0') != std::string::npos) return refuse("has a zero byte in its name");
  if (view.plate_size != plate) {
    return refuse(fmt::format("is {}x{}, the first frame is {}x{}; one file holds one size",
                              view.plate_size.width,
                              view.plate_size.height,
                              plate.width,
                              plate.height));
  }
  if (view.corners.empty()) return refuse("has no corners");
  std::map<ChartPoint, int> seen;
  for (const Corner& corner : view.corners) {
    if (!corner.p_chart_mm.allFinite() || !corner.p_plate_px.allFinite()) {
      return refuse("has a corner that is not a finite number");
    }
    if (std::isinf(corner.sigma_px) || corner.sigma_px <= 0.0) {
      return refuse(fmt::format("has a sigma of {} px, wanted above zero or NaN", corner.sigma_px));
    }
    if (const auto complaint = position_complaint(corner.p_plate_px, plate)) {
      return refuse(*complaint);
    }
    if (!seen.try_emplace(chart_point(corner), 0).second) {
      return refuse(fmt::format("has the chart point {} twice", place_of(corner)));
    }
  }
  return {};
}

Result<void> check_views(const std::vector<View>& views) {
  if (views.empty()) return fail(ErrorCode::kInvalidInput, "no frame with corners to write");
  const ImageSize plate = views.front().plate_size;
  if (plate.width < 1 || plate.height < 1 || plate.width > kMaxImageSide ||
      plate.height > kMaxImageSide) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("plate size is {}x{}, wanted 1 to {} pixels a side",
                            plate.width,
                            plate.height,
                            kMaxImageSide));
  }
  std::map<std::string_view, int> names;
  for (const View& view : views) {
    if (Result<void> checked = check_view(view, plate); !checked) return checked;
    if (!names.try_emplace(view.frame, 0).second) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("frame '{}' stands there twice", printable(view.frame)));
    }
  }
  return {};
}

}  // namespace

Result<std::string> observations_text(const Observations& observations) {
  const std::vector<View>& views = observations.views;
  if (Result<void> checked = check_views(views); !checked) return fail(checked.error());
  bool has_z = false;
  bool has_sigma = false;
  for (const View& view : views) {
    for (const Corner& corner : view.corners) {
      has_z = has_z || corner.p_chart_mm.z() != 0.0;
      has_sigma = has_sigma || !std::isnan(corner.sigma_px);
    }
  }
  std::vector<std::string_view> columns{"frame", "chart_x_mm", "chart_y_mm", "x", "y"};
  if (has_z) columns.emplace_back("chart_z_mm");
  if (has_sigma) columns.emplace_back("sigma_px");
  std::vector<CsvComment> comments{
      {"image",
       fmt::format("{}x{}", views.front().plate_size.width, views.front().plate_size.height)}};
  for (const CsvComment& comment : observations.comments) {
    if (trim(comment.key) != "image") comments.push_back(comment);
  }
  CsvWriter writer(columns, comments);
  std::vector<std::string> cells;
  for (const View& view : views) {
    for (const Corner& corner : view.corners) {
      cells = {view.frame,
               to_lossless_text(corner.p_chart_mm.x()),
               to_lossless_text(corner.p_chart_mm.y()),
               to_lossless_text(corner.p_plate_px.x()),
               to_lossless_text(corner.p_plate_px.y())};
      if (has_z) cells.push_back(to_lossless_text(corner.p_chart_mm.z()));
      if (has_sigma) {
        cells.push_back(std::isnan(corner.sigma_px) ? "" : to_lossless_text(corner.sigma_px));
      }
      writer.add_row(cells);
    }
  }
  return writer.text();
}

Result<void> write_observations(const std::filesystem::path& path,
                                const Observations& observations,
                                Overwrite overwrite) {
  const Result<std::string> text = observations_text(observations);
  if (!text) {
    return fail(text.error().code, fmt::format("{}: {}", path.string(), text.error().message));
  }
  return write_text_file(path, *text, overwrite);
}

}  // namespace trueplate::footage
