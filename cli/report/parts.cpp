#include "cli/report/parts.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/utf8.h"
#include "cli/version.h"

namespace trueplate::cli {

using nlohmann::json;

std::string title_of(const profile::Profile& profile) {
  const profile::Labels& labels = profile.labels;
  std::string title = printable(labels.lens, 200);
  if (title.empty()) {
    // Told apart by what it was made from.
    title = "Lens without a name";
    const auto& footage = profile.provenance.footage;
    if (!footage.empty()) {
      title += " (" + printable(footage.front().name, 60);
      if (footage.size() > 1) title += fmt::format(" and {} more", footage.size() - 1);
      title += ")";
    }
  }
  if (!labels.serial.empty()) title += ", serial " + printable(labels.serial, 100);
  return title;
}

std::string px_text(double value) {
  const double size = std::abs(value);
  if (size >= 1e6) return fmt::format("{:.3g} px", value);  // of a file that somebody made up
  return fmt::format("{:.{}f} px", value, size < 1.0 ? 3 : size < 10.0 ? 2 : size < 100.0 ? 1 : 0);
}

json plate_json(const lens::Lens& lens) {
  return {{"width", lens.plate_size.width},
          {"height", lens.plate_size.height},
          {"pixel_aspect", lens.pixel_aspect}};
}

std::string_view height_unit(const lens::Lens& lens) {
  return lens.pixel_aspect == 1.0 ? "px" : "px unsqueezed";
}

double rounded(double value, double step) { return std::round(value / step) * step; }

json rounded_or_null(double value, double step) {
  return std::isfinite(value) ? json(rounded(value, step)) : json();
}

std::vector<double> error_levels(double least, double most) {
  constexpr std::size_t kEnough = 3;
  constexpr std::size_t kMost = 6;
  std::vector<double> levels;
  const auto add = [&](double level) {
    if (level > least && level < most) levels.push_back(level);
  };
  for (const double step : kErrorStepsPx) add(step);
  if (levels.size() >= kEnough || !(most > 0.0)) return levels;
  for (double decade = std::pow(10.0, std::floor(std::log10(most)));
       decade > 1e-3 * most && levels.size() < kMost;
       decade *= 0.1) {
    // A power of ten is not exact; the level is to be written as short as it is meant.
    for (const double digit : {5.0, 2.0, 1.0})
      add(std::stod(fmt::format("{:.3g}", digit * decade)));
  }
  std::sort(levels.begin(), levels.end());
  levels.erase(std::unique(levels.begin(), levels.end()), levels.end());
  return levels;
}

double round_factor(double value) {
  double factor = 1.0;
  for (double decade = 1.0; decade <= value && decade < 1e9; decade *= 10.0) {
    for (const double digit : {1.0, 2.0, 5.0}) {
      if (digit * decade <= value) factor = digit * decade;
    }
  }
  return factor;
}

void Figures::add(std::string_view label, std::string text, std::string note) {
  list_.push_back({{"label", label}, {"text", std::move(text)}, {"note", std::move(note)}});
}

json warnings_part(std::span<const Warning> warnings) {
  json list = json::array();
  for (const Warning& warning : warnings) {
    list.push_back(
        {{"code", printable(warning.code)}, {"message", printable(warning.message, kLongestNote)}});
  }
  return list;
}

json text_column(std::string_view label) { return {{"label", label}, {"number", false}}; }
json number_column(std::string_view label) { return {{"label", label}, {"number", true}}; }

json table_row(json cells) { return {{"chosen", false}, {"cells", std::move(cells)}}; }
json chosen_row(json cells) { return {{"chosen", true}, {"cells", std::move(cells)}}; }

std::string value_text(double value, const std::optional<double>& sigma) {
  if (!sigma || *sigma <= 0.0) return fmt::format("{:.8g}", value);
  const int decimals = std::clamp(1 - static_cast<int>(std::floor(std::log10(*sigma))), 0, 12);
  return fmt::format("{:.{}f}", value, decimals);
}

json number_cell(const std::optional<double>& value) {
  return value ? json(fmt::format("{:.4f}", *value)) : json();
}

json label_row(std::string_view label, std::string content) {
  return json::array({label, std::move(content)});
}

json page_json(PageParts parts) {
  json sections = json::array();
  for (json& section : parts.sections) {
    if (!section.is_null()) sections.push_back(std::move(section));
  }
  return {{"page", parts.page},
          {"title", std::move(parts.title)},
          {"eyebrow", std::move(parts.eyebrow)},
          {"footer", fmt::format("trueplate {}, {}", kVersion, parts.date)},
          {"plate", std::move(parts.plate)},
          {"verdict", std::move(parts.verdict)},
          {"figures", std::move(parts.figures)},
          {"warnings", std::move(parts.warnings)},
          {"frames", std::move(parts.frames)},
          {"sections", std::move(sections)}};
}

}  // namespace trueplate::cli
