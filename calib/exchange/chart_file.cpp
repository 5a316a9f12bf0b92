#include "calib/exchange/chart_file.h"

#include <fmt/format.h>

#include <cmath>
#include <vector>

#include "calib/base/timestamp.h"
#include "calib/base/utf8.h"
#include "calib/profile/detail/fields.h"
#include "calib/profile/detail/json_text.h"
#include "calib/target/coded_layout.h"

namespace trueplate::exchange {
namespace {

using profile::detail::Complaint;
using profile::detail::Fields;
using profile::detail::found_text;
using profile::detail::Json;
using profile::detail::Range;
using target::ChartKind;

constexpr std::string_view kFormatName = "trueplate-chart";
// Beyond these no chart is; the schema in docs/ says the same.
constexpr Range kLengthMm{.least = kMinChartLengthMm, .most = kMaxChartLengthMm};
constexpr double kMarkerShare =
    static_cast<double>(target::kCodedMarkerModules) / target::kCodedModulesPerSquare;

bool has_dots(ChartKind kind) {
  return kind == ChartKind::kDots || kind == ChartKind::kDotsStaggered;
}

Json json_of(const ChartDescription& description) {
  const target::Chart& chart = description.chart;
  const Point2d pitch = chart.pitch_xy_mm();
  Json json;
  json["format"] = kFormatName;
  json["format_version"] = kChartFormatVersion;
  json["kind"] = target::chart_kind_name(chart.kind);
  json["pitch_mm"] = {{"x", pitch.x()}, {"y", pitch.y()}};
  if (chart.grid_known()) {
    json["columns"] = chart.columns;
    json["rows"] = chart.rows;
  }
  if (description.line_width_mm) json["line_width_mm"] = *description.line_width_mm;
  if (description.dot_diameter_mm) json["dot_diameter_mm"] = *description.dot_diameter_mm;
  if (chart.kind == ChartKind::kCoded) {
    json["markers"] = {{"dictionary", target::kCodedDictionary},
                       {"share_of_square", kMarkerShare},
                       {"ids_per_row", target::kCodedIdsPerRow}};
  }
  if (description.drawn) {
    json["drawn"] = {{"program", description.drawn->program},
                     {"date", description.drawn->date},
                     {"medium", description.drawn->medium}};
  }
  if (!description.notes.empty()) json["notes"] = description.notes;
  return json;
}

ChartKind kind_of(const Fields& root) {
  const std::string name = root.string("kind");
  if (const std::optional<ChartKind> kind = target::chart_kind_from_name(name)) return *kind;
  root.complain("kind",
                fmt::format("is \"{}\", wanted checkerboard, lines, dots, dots-staggered or coded",
                            printable(name)));
  return ChartKind::kCheckerboard;
}

/// Columns and rows: both or none.
void read_grid(const Fields& root, target::Chart& chart) {
  const bool has_columns = root.has("columns");
  if (has_columns != root.has("rows")) {
    root.complain(has_columns ? "rows" : "columns",
                  "is missing; give columns and rows, or neither where they are not known");
    return;
  }
  if (!has_columns) return;
  const bool coded = chart.kind == ChartKind::kCoded;
  chart.columns = root.integer("columns", 1, coded ? target::kCodedMaxSquaresX - 1 : kMaxChartSide);
  chart.rows = root.integer("rows", 1, coded ? target::kCodedMaxSquaresY - 1 : kMaxChartSide);
}

/// A size that belongs to some kinds of chart only.
std::optional<double> part_of(const Fields& root, std::string_view key, bool belongs) {
  if (root.has(key) && !belongs) {
    root.complain(key, "does not belong to this kind of chart; remove it");
  }
  return root.optional_number(key, kLengthMm);
}

/// The markers are those of one layout; another one would be read wrongly.
void check_markers(const Fields& root, ChartKind kind) {
  if (kind != ChartKind::kCoded) {
    if (root.has("markers")) {
      root.complain("markers", "does not belong to this kind of chart; remove it");
    }
    return;
  }
  const Fields markers = root.object("markers", {"dictionary", "share_of_square", "ids_per_row"});
  const std::string dictionary = markers.string("dictionary");
  if (dictionary != target::kCodedDictionary) {
    markers.complain("dictionary",
                     fmt::format("is \"{}\", wanted \"{}\", the only one this version reads",
                                 printable(dictionary),
                                 target::kCodedDictionary));
  }
  const double share = markers.number("share_of_square", profile::detail::kPositive);
  if (std::abs(share - kMarkerShare) > 1e-9) {
    markers.complain(
        "share_of_square",
        fmt::format("is {}, wanted {}, the only one this version reads", share, kMarkerShare));
  }
  static_cast<void>(
      markers.integer("ids_per_row", target::kCodedIdsPerRow, target::kCodedIdsPerRow));
}

std::optional<ChartOrigin> origin_of(const Fields& root) {
  if (!root.has("drawn")) return std::nullopt;
  const Fields drawn = root.object("drawn", {"program", "date", "medium"});
  ChartOrigin origin{.program = drawn.string("program"),
                     .date = drawn.string("date"),
                     .medium = drawn.string("medium")};
  if (!is_utc_timestamp(origin.date + "T00:00:00Z")) {
    drawn.complain(
        "date", fmt::format("is \"{}\", wanted a date such as 2031-05-04", printable(origin.date)));
  }
  return origin;
}

/// Whether this is a chart description of a version that can be read. Comes before everything
/// else, because a newer version may have fields that look like mistakes here.
std::optional<Error> format_error(const Json& json) {
  const bool has_format = json.is_object() && json.contains("format");
  if (!has_format || json["format"] != kFormatName) {
    const std::string found = !json.is_object() ? fmt::format("the text {}", found_text(json))
                              : !has_format     ? std::string("format: is missing")
                                            : fmt::format("format: {}", found_text(json["format"]));
    return Error{ErrorCode::kUnreadable,
                 fmt::format("{}, wanted an object with \"format\": \"{}\"; this is no chart "
                             "description",
                             found,
                             kFormatName)};
  }
  if (json.contains("format_version") && json["format_version"].is_number() &&
      json["format_version"].get<double>() > kChartFormatVersion) {
    return Error{ErrorCode::kUnsupported,
                 fmt::format("format_version: chart format {} is newer than {}, the newest this "
                             "version reads; update trueplate",
                             json["format_version"].dump(),
                             kChartFormatVersion)};
  }
  return std::nullopt;
}

Result<ChartDescription> description_of(const Json& json) {
  if (const std::optional<Error> wrong = format_error(json)) return fail(*wrong);
  Complaint complaint;
  const Fields root(json,
                    "",
                    {"format",
                     "format_version",
                     "kind",
                     "pitch_mm",
                     "columns",
                     "rows",
                     "line_width_mm",
                     "dot_diameter_mm",
                     "markers",
                     "drawn",
                     "notes"},
                    complaint);
  static_cast<void>(root.integer("format_version", 1, kChartFormatVersion));
  ChartDescription description;
  target::Chart& chart = description.chart;
  chart.kind = kind_of(root);
  const Fields pitch = root.object("pitch_mm", {"x", "y"});
  chart.pitch_mm = pitch.number("x", kLengthMm);
  chart.pitch_y_mm = pitch.number("y", kLengthMm);
  read_grid(root, chart);
  description.line_width_mm = part_of(root, "line_width_mm", chart.kind == ChartKind::kLines);
  description.dot_diameter_mm = part_of(root, "dot_diameter_mm", has_dots(chart.kind));
  check_markers(root, chart.kind);
  description.drawn = origin_of(root);
  description.notes = root.optional_string("notes");
  if (complaint.message()) return fail(ErrorCode::kUnreadable, *complaint.message());
  return description;
}

}  // namespace

Result<std::string> chart_text(const ChartDescription& description) {
  // The reader's rules are the rules.
  const Json json = json_of(description);
  if (const Result<ChartDescription> read = description_of(json); !read) {
    return fail(ErrorCode::kInvalidInput, read.error().message);
  }
  std::string text = profile::detail::json_text(json);
  if (text.size() <= kMaxChartFileBytes) return text;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("notes: the description would have {} bytes, more than the {} that can "
                          "be read back",
                          text.size(),
                          kMaxChartFileBytes));
}

Result<ChartDescription> parse_chart(std::string_view text, std::string_view source) {
  if (text.size() > kMaxChartFileBytes) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: larger than {} bytes, which no chart description should be",
                            source,
                            kMaxChartFileBytes));
  }
  const Result<Json> json = profile::detail::parse_json(text, source);
  if (!json) return fail(json.error());
  Result<ChartDescription> description = description_of(*json);
  if (description) return description;
  return fail(description.error().code, fmt::format("{}: {}", source, description.error().message));
}

Result<void> write_chart(const std::filesystem::path& path,
                         const ChartDescription& description,
                         Overwrite overwrite) {
  const Result<std::string> text = chart_text(description);
  if (!text) {
    return fail(text.error().code, fmt::format("{}: {}", path.string(), text.error().message));
  }
  return write_text_file(path, *text, overwrite);
}

Result<ChartDescription> read_chart(const std::filesystem::path& path) {
  const Result<std::string> text = read_text_file(path, kMaxChartFileBytes);
  if (!text) return fail(text.error());
  return parse_chart(*text, path.string());
}

}  // namespace trueplate::exchange
