#include "cli/archive_listing.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <optional>
#include <string_view>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::cli {
namespace {

using archive::Entry;

/// Columns a text takes on a terminal, near enough: characters, not bytes.
std::size_t width(std::string_view text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xc0U) != 0x80U;
  }));
}

std::string pixels(std::optional<double> value) {
  return value ? fmt::format("{:.3f}", *value) : "-";
}

std::string lens_name(const Entry& entry) {
  std::string text;
  for (const std::string* part : {&entry.lens.maker, &entry.lens.model, &entry.lens.series}) {
    if (part->empty()) continue;
    if (!text.empty()) text += ' ';
    text += *part;
  }
  return printable(text, 40);
}

using Cells = std::vector<std::string>;

Cells heading() {
  return {"id",
          "lens",
          "serial",
          "states",
          "body",
          "model",
          "rms px",
          "predicted px",
          "calibrated",
          "filed by"};
}

Cells cells(const Entry& entry) {
  const std::string id = entry.superseded_by == 0
                             ? fmt::format("{}", entry.id)
                             : fmt::format("{} (now {})", entry.id, entry.superseded_by);
  return {id,
          lens_name(entry),
          printable(entry.lens.serial, 24),
          printable(entry.states, 32),
          printable(entry.body, 24),
          printable(entry.lens_model, 20),
          pixels(entry.rms_px),
          pixels(entry.map_sigma_px),
          printable(entry.calibrated_at.substr(0, 10), 10),
          printable(entry.added_by, 16)};
}

/// A few short lines for each entry, so that no long label moves what others say.
std::string blocks_text(std::span<const Entry> entries) {
  std::string text;
  for (const Entry& entry : entries) {
    const Cells row = cells(entry);
    const auto with = [](std::string_view name, const std::string& value) {
      return value.empty() ? std::string() : fmt::format("{}{}", name, value);
    };
    std::string set;
    for (const std::string& part : {row[3], with("body ", row[4]), row[5]}) {
      if (!part.empty()) set += (set.empty() ? "" : "; ") + part;
    }
    text += fmt::format("{}  {}{}\n", row[0], row[1], with(", serial ", row[2]));
    text += fmt::format("    {}\n", set);
    text += fmt::format("    rms {} px, predicted error {} px; calibrated {}{}\n",
                        row[6],
                        row[7],
                        row[8],
                        with(", filed by ", row[9]));
  }
  return text;
}

std::string focus_text(double per_m) {
  return per_m == 0.0 ? "infinity" : fmt::format("{:.4g} m", 1.0 / per_m);
}

std::string range_text(const std::string& least, const std::string& most) {
  return least == most ? least : least + " to " + most;
}

nlohmann::json distance_json(double per_m) {
  if (per_m == 0.0) return "inf";
  return 1.0 / per_m;
}

template <class T>
nlohmann::json number_json(const std::optional<T>& value) {
  return value ? nlohmann::json(*value) : nlohmann::json(nullptr);
}

nlohmann::json id_json(std::int64_t id) {
  return id == 0 ? nlohmann::json(nullptr) : nlohmann::json(id);
}

/// Whether a program that shows tables may take a text for a formula, apostrophes before it or not.
bool like_formula(std::string_view text) {
  const std::size_t first = text.find_first_not_of('\'');
  return first != std::string_view::npos &&
         std::string_view("=+-@\t\r").find(text[first]) != std::string_view::npos;
}

}  // namespace

std::string entries_text(std::span<const Entry> entries, std::size_t columns) {
  std::vector<Cells> rows{heading()};
  for (const Entry& entry : entries) rows.push_back(cells(entry));
  std::vector<std::size_t> widths(rows.front().size(), 0);
  for (std::size_t i = 0; i < widths.size(); ++i) {
    // A column of which no entry has anything takes no room.
    const bool is_used = std::any_of(
        rows.begin() + 1, rows.end(), [&](const Cells& row) { return !row[i].empty(); });
    for (const Cells& row : rows) {
      if (is_used) widths[i] = std::max(widths[i], width(row[i]) + 2);
    }
  }
  if (std::accumulate(widths.begin(), widths.end(), std::size_t{0}) > columns + 2) {
    return blocks_text(entries);
  }
  std::string text;
  for (const Cells& row : rows) {
    std::string line;
    for (std::size_t i = 0; i < row.size(); ++i) {
      if (widths[i] > 0) line += row[i] + std::string(widths[i] - width(row[i]), ' ');
    }
    line.erase(line.find_last_not_of(' ') + 1);
    text += line + "\n";
  }
  return text;
}

std::string entry_text(const Entry& entry) {
  std::string text;
  const auto line = [&](std::string_view name, const std::string& value) {
    if (!value.empty()) text += fmt::format("{:<16}{}\n", name, value);
  };
  line("calibration", fmt::format("{}", entry.id));
  line("lens", lens_name(entry));
  line("serial", printable(entry.lens.serial, 200));
  line("body", printable(entry.body, 200));
  line("recording mode", printable(entry.recording_mode, 200));
  line("states", printable(entry.states, 400));
  if (entry.focal_mm) {
    line("focal length",
         range_text(fmt::format("{:.4g} mm", entry.focal_mm->least),
                    fmt::format("{:.4g} mm", entry.focal_mm->most)));
  }
  if (entry.focus_per_m) {
    line("focus",
         range_text(focus_text(entry.focus_per_m->most), focus_text(entry.focus_per_m->least)));
  }
  line("calibrated", printable(entry.calibrated_at, 40));
  line("filed", fmt::format("{} by {}", entry.added_at, printable(entry.added_by, 200)));
  line("note", printable(entry.note, 2000));
  if (entry.supersedes != 0) line("takes place of", fmt::format("{}", entry.supersedes));
  if (entry.superseded_by != 0) line("superseded by", fmt::format("{}", entry.superseded_by));
  line("checksum", entry.checksum);
  return text;
}

nlohmann::json entry_json(const Entry& entry) {
  nlohmann::json focal;
  nlohmann::json focus;
  if (entry.focal_mm) focal = {entry.focal_mm->least, entry.focal_mm->most};
  if (entry.focus_per_m) {
    focus = {distance_json(entry.focus_per_m->most), distance_json(entry.focus_per_m->least)};
  }
  return {{"id", entry.id},
          {"maker", entry.lens.maker},
          {"model", entry.lens.model},
          {"series", entry.lens.series},
          {"serial", entry.lens.serial},
          {"body", entry.body},
          {"recording_mode", entry.recording_mode},
          {"states", entry.states},
          {"focal_mm", focal},
          {"focus_m", focus},
          {"lens_model", entry.lens_model},
          {"plate_size", {entry.plate.width, entry.plate.height}},
          {"rms_px", number_json(entry.rms_px)},
          {"map_sigma_px", number_json(entry.map_sigma_px)},
          {"calibrated_at", entry.calibrated_at},
          {"added_at", entry.added_at},
          {"added_by", entry.added_by},
          {"note", entry.note},
          {"supersedes", id_json(entry.supersedes)},
          {"superseded_by", id_json(entry.superseded_by)},
          {"document_sha256", entry.document_sha256},
          {"checksum", entry.checksum}};
}

nlohmann::json entries_json(std::span<const Entry> entries) {
  nlohmann::json list = nlohmann::json::array();
  for (const Entry& entry : entries) list.push_back(entry_json(entry));
  return list;
}

std::string entries_csv(std::span<const Entry> entries) {
  constexpr std::array<std::string_view, 24> kColumns{"id",
                                                      "maker",
                                                      "model",
                                                      "series",
                                                      "serial",
                                                      "body",
                                                      "recording_mode",
                                                      "states",
                                                      "focal_least_mm",
                                                      "focal_most_mm",
                                                      "focus_nearest_m",
                                                      "focus_farthest_m",
                                                      "lens_model",
                                                      "plate_width",
                                                      "plate_height",
                                                      "rms_px",
                                                      "map_sigma_px",
                                                      "calibrated_at",
                                                      "added_at",
                                                      "added_by",
                                                      "note",
                                                      "superseded_by",
                                                      "supersedes",
                                                      "document_sha256"};
  const auto number = [](std::optional<double> value) {
    return value ? to_lossless_text(*value) : std::string();
  };
  const auto distance = [](double per_m) {
    return per_m == 0.0 ? std::string("inf") : to_lossless_text(1.0 / per_m);
  };
  const auto id = [](std::int64_t value) {
    return value == 0 ? std::string() : fmt::format("{}", value);
  };
  CsvWriter writer(kColumns);
  for (const Entry& entry : entries) {
    const bool focal = entry.focal_mm.has_value();
    const bool focus = entry.focus_per_m.has_value();
    writer.add_row(std::vector<std::string>{fmt::format("{}", entry.id),
                                            listed_cell(entry.lens.maker),
                                            listed_cell(entry.lens.model),
                                            listed_cell(entry.lens.series),
                                            listed_cell(entry.lens.serial),
                                            listed_cell(entry.body),
                                            listed_cell(entry.recording_mode),
                                            entry.states,
                                            focal ? to_lossless_text(entry.focal_mm->least) : "",
                                            focal ? to_lossless_text(entry.focal_mm->most) : "",
                                            focus ? distance(entry.focus_per_m->most) : "",
                                            focus ? distance(entry.focus_per_m->least) : "",
                                            entry.lens_model,
                                            fmt::format("{}", entry.plate.width),
                                            fmt::format("{}", entry.plate.height),
                                            number(entry.rms_px),
                                            number(entry.map_sigma_px),
                                            entry.calibrated_at,
                                            entry.added_at,
                                            listed_cell(entry.added_by),
                                            listed_cell(entry.note),
                                            id(entry.superseded_by),
                                            id(entry.supersedes),
                                            entry.document_sha256});
  }
  return writer.text();
}

std::string listed_cell(const std::string& text) {
  return like_formula(text) ? fmt::format("'{}", text) : text;
}

std::string listed_text(std::string cell) {
  if (cell.starts_with('\'') && like_formula(cell)) cell.erase(0, 1);
  return cell;
}

}  // namespace trueplate::cli
