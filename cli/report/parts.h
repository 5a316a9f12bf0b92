#pragma once

#include <array>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/warning.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

// What the pages are put together from. What each field means: docs/report.md.

/// Texts of files are shown no longer than this, in bytes.
inline constexpr std::size_t kLongestNote = 2000;
inline constexpr std::size_t kLongestName = 500;

/// `0.123 px`, `24.9 px`: as many digits as mean something.
[[nodiscard]] std::string px_text(double value);
/// Lens and serial number, for the title of a page.
[[nodiscard]] std::string title_of(const profile::Profile& profile);

/// The unit of image heights, which count what the plate is wide and high as it is shown.
[[nodiscard]] std::string_view height_unit(const lens::Lens& lens);

/// To the nearest multiple of `step`, so that a page is no larger than what it shows.
[[nodiscard]] double rounded(double value, double step);
/// The same, null where the value is not finite.
[[nodiscard]] nlohmann::json rounded_or_null(double value, double step);

/// Classes of a predicted error: the same on every page, so that one tone is one size. 0.5, 1 and 5
/// px are those of the verdict.
inline constexpr std::array kErrorStepsPx{0.05, 0.1, 0.2, 0.5, 1.0, 5.0};
/// Where lines of equal error are drawn: at the borders of the classes, and where fewer than three
/// of them lie between the two, at steps of 1, 2 and 5 as well.
[[nodiscard]] std::vector<double> error_levels(double least, double most);
/// The largest of 1, 2, 5, 10, 20, ... that is not above `value`; 1 at least.
[[nodiscard]] double round_factor(double value);

/// {width, height, pixel_aspect}: the frame that plots are drawn in.
[[nodiscard]] nlohmann::json plate_json(const lens::Lens& lens);

/// The figures at the top of a page: [{label, text, note}].
class Figures {
 public:
  void add(std::string_view label, std::string text, std::string note);
  [[nodiscard]] const nlohmann::json& json() const { return list_; }

 private:
  nlohmann::json list_ = nlohmann::json::array();
};

/// [{code, message}]
[[nodiscard]] nlohmann::json warnings_part(std::span<const Warning> warnings);

/// A value to the second digit of its standard deviation; without one, or with 0, to eight digits.
[[nodiscard]] std::string value_text(double value, const std::optional<double>& sigma);

/// Columns and rows of a table. A cell is a text or null.
[[nodiscard]] nlohmann::json text_column(std::string_view label);
[[nodiscard]] nlohmann::json number_column(std::string_view label);
[[nodiscard]] nlohmann::json table_row(nlohmann::json cells);
/// The row of what was chosen among the others, which is framed.
[[nodiscard]] nlohmann::json chosen_row(nlohmann::json cells);
/// A number with four decimals as a cell.
[[nodiscard]] nlohmann::json number_cell(const std::optional<double>& value);

/// A row of a list of numbers: a pair of texts. (In braces it would become an object.)
[[nodiscard]] nlohmann::json label_row(std::string_view label, std::string content);

/// All of a page.
struct PageParts {
  std::string_view page;  // which kind, for programs
  std::string title;
  std::string eyebrow;  // which kind, for people
  std::string date;
  nlohmann::json plate;
  nlohmann::json verdict;
  nlohmann::json figures;
  nlohmann::json warnings;
  nlohmann::json frames = nlohmann::json::array();
  std::vector<nlohmann::json> sections;  // those that are null are left out
};
[[nodiscard]] nlohmann::json page_json(PageParts parts);

}  // namespace trueplate::cli
