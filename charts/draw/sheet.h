#pragma once

#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::draw {

/// A piece of paper as it lies on the table.
struct Sheet {
  std::string name;  // "A3"; empty for a size given in numbers
  double width_mm = 0.0;
  double height_mm = 0.0;
};

enum class Orientation { kLandscape, kPortrait };

/// Limits of a sheet's sides. Longer pages than the larger one, 200 inches, exceed what ISO
/// 32000-1 (annex C) says that readers of PDF need to take.
inline constexpr double kMinSheetSideMm = 40.0;
inline constexpr double kMaxSheetSideMm = 5080.0;
/// The same of a drawing that is cut into tiles.
inline constexpr double kMaxTiledSideMm = 20000.0;

/// The names parse_sheet() knows, separated by commas.
[[nodiscard]] std::string known_sheets();

/// A sheet by name, laid down as `orientation` says: A4 to A0 (ISO 216), letter, tabloid, ansi-c,
/// ansi-d, ansi-e (ASME Y14.1; in mm, 8.5 x 11 inches being the first). Or WIDTHxHEIGHT with a
/// unit, such as 600x400mm, taken as it stands. Names in any case.
/// errors  kInvalidInput: neither; a side below kMinSheetSideMm or above `max_side_mm`.
Result<Sheet> parse_sheet(std::string_view text,
                          Orientation orientation,
                          double max_side_mm = kMaxSheetSideMm);

/// The sides within the same limits.
Result<void> check_sheet(const Sheet& sheet, double max_side_mm);

/// "A3, 420 x 297 mm" or "600 x 400 mm".
[[nodiscard]] std::string sheet_text(const Sheet& sheet);

/// A length in mm for people: at most three decimals, no needless zeros.
[[nodiscard]] std::string mm_text(double length_mm);

}  // namespace trueplate::draw
