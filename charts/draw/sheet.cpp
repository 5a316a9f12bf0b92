#include "charts/draw/sheet.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>

#include "calib/base/text.h"

namespace trueplate::draw {
namespace {

struct NamedSheet {
  std::string_view name;
  double short_mm;
  double long_mm;
};

constexpr double kInch = 25.4;
// ISO 216:2007, table 1 (A series), and ASME Y14.1 (sizes A to E; A and B under their usual
// names).
constexpr std::array<NamedSheet, 10> kNamedSheets{{{"A4", 210.0, 297.0},
                                                   {"A3", 297.0, 420.0},
                                                   {"A2", 420.0, 594.0},
                                                   {"A1", 594.0, 841.0},
                                                   {"A0", 841.0, 1189.0},
                                                   {"letter", 8.5 * kInch, 11.0 * kInch},
                                                   {"tabloid", 11.0 * kInch, 17.0 * kInch},
                                                   {"ansi-c", 17.0 * kInch, 22.0 * kInch},
                                                   {"ansi-d", 22.0 * kInch, 34.0 * kInch},
                                                   {"ansi-e", 34.0 * kInch, 44.0 * kInch}}};

bool same_word(std::string_view a, std::string_view b) {
  const auto lower = [](char c) { return std::tolower(static_cast<unsigned char>(c)); };
  return std::equal(
      a.begin(), a.end(), b.begin(), b.end(), [&](char x, char y) { return lower(x) == lower(y); });
}

}  // namespace

std::string known_sheets() {
  std::string names;
  for (const NamedSheet& sheet : kNamedSheets) {
    names += names.empty() ? "" : ", ";
    names += sheet.name;
  }
  return names;
}

Result<void> check_sheet(const Sheet& sheet, double max_side_mm) {
  for (const double side : {sheet.width_mm, sheet.height_mm}) {
    if (side >= kMinSheetSideMm && side <= max_side_mm) continue;
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a sheet of {} x {} mm; each side must be {} to {} mm",
                            mm_text(sheet.width_mm),
                            mm_text(sheet.height_mm),
                            mm_text(kMinSheetSideMm),
                            mm_text(max_side_mm)));
  }
  return {};
}

Result<Sheet> parse_sheet(std::string_view text, Orientation orientation, double max_side_mm) {
  const std::string_view word = trim(text);
  for (const NamedSheet& named : kNamedSheets) {
    if (!same_word(word, named.name)) continue;
    Sheet sheet{std::string(named.name), named.long_mm, named.short_mm};
    if (orientation == Orientation::kPortrait) std::swap(sheet.width_mm, sheet.height_mm);
    return sheet;
  }
  const Result<std::pair<double, double>> sides = parse_size_mm(word);
  if (!sides) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("'{}' is not a sheet; write {} or WIDTHxHEIGHT with a unit, such as "
                            "600x400mm",
                            text,
                            known_sheets()));
  }
  const Sheet sheet{"", sides->first, sides->second};
  if (Result<void> usable = check_sheet(sheet, max_side_mm); !usable) return fail(usable.error());
  return sheet;
}

std::string sheet_text(const Sheet& sheet) {
  return fmt::format("{}{}{} x {} mm",
                     sheet.name,
                     sheet.name.empty() ? "" : ", ",
                     mm_text(sheet.width_mm),
                     mm_text(sheet.height_mm));
}

std::string mm_text(double length_mm) {
  const double rounded = std::round(length_mm * 1000.0) / 1000.0;
  // Numbers of absurd size keep their exponent.
  return std::abs(length_mm) < 1e9 ? fmt::format("{}", rounded) : fmt::format("{:g}", length_mm);
}

}  // namespace trueplate::draw
