#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"

namespace trueplate::exchange {

/// Newest version of the chart description that this program reads, and the one it writes.
inline constexpr int kChartFormatVersion = 1;
/// No description is larger.
inline constexpr std::size_t kMaxChartFileBytes = std::size_t{1} << 20;
/// Largest count of points along x or y in a description, and the range of its lengths.
inline constexpr int kMaxChartSide = 200000;
inline constexpr double kMinChartLengthMm = 0.01;
inline constexpr double kMaxChartLengthMm = 100000.0;

/// Where a print comes from; for people.
struct ChartOrigin {
  std::string program;  // name and version
  std::string date;     // 2031-05-04
  std::string medium;   // "A3, 420 x 297 mm"

  friend bool operator==(const ChartOrigin&, const ChartOrigin&) = default;
};

/// A printed chart on file: what `detect` and `calibrate` need to know about it.
struct ChartDescription {
  target::Chart chart;
  std::optional<double> line_width_mm;    // of kLines
  std::optional<double> dot_diameter_mm;  // of kDots and kDotsStaggered
  std::optional<ChartOrigin> drawn;
  std::string notes;
};

/// The description as JSON (docs/chart-format.md and docs/chart.schema.json). Doubles are
/// lossless. The pitch along y is always written.
/// errors  kInvalidInput: one that parse_chart() would refuse.
Result<std::string> chart_text(const ChartDescription& description);

/// Reads such a text. `source` names it in messages, which name the field as well.
/// errors  kUnreadable: no JSON, another format, fields missing, unknown or out of range, markers
///         other than those of calib/target/coded_layout.h. kUnsupported: a newer format version.
Result<ChartDescription> parse_chart(std::string_view text, std::string_view source);

Result<void> write_chart(const std::filesystem::path& path,
                         const ChartDescription& description,
                         Overwrite overwrite);
Result<ChartDescription> read_chart(const std::filesystem::path& path);

}  // namespace trueplate::exchange
