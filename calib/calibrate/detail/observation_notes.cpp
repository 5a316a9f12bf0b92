#include "calib/calibrate/detail/observation_notes.h"

#include <fmt/format.h>

#include <algorithm>
#include <string_view>

#include "calib/base/text.h"
#include "calib/calibrate/detail/detected_frames.h"

namespace trueplate::detail {
namespace {

/// Key of the notes that keep the frames' content hashes with their corners: `HASH NAME`.
constexpr std::string_view kHashKey = "sha256";
constexpr std::size_t kHashLength = 64;
/// The note of observations whose frames all count from a point that the print marks.
constexpr std::string_view kOriginKey = "origin";
constexpr std::string_view kMarkedOrigin = "marked";

bool is_sha256(std::string_view text) {
  return text.size() == kHashLength &&
         text.find_first_not_of("0123456789abcdef") == std::string_view::npos;
}

}  // namespace

std::vector<CsvComment> notes_of(const std::vector<DetectedFrame>& frames,
                                 const target::Chart& chart) {
  std::vector<CsvComment> notes = {{"chart", std::string(target::chart_kind_name(chart.kind))},
                                   {"pitch", fmt::format("{}mm", to_lossless_text(chart.pitch_mm))},
                                   {"pixel_aspect", to_lossless_text(pixel_aspect_of(frames))}};
  if (chart.grid_known())
    notes.push_back({"grid", fmt::format("{}x{}", chart.columns, chart.rows)});
  if (chart.pitch_y_mm > 0.0 && chart.pitch_y_mm != chart.pitch_mm) {
    notes.push_back({"pitch_y", fmt::format("{}mm", to_lossless_text(chart.pitch_y_mm))});
  }
  if (all_marked(frames)) {
    notes.push_back({std::string(kOriginKey), std::string(kMarkedOrigin)});
  }
  for (const DetectedFrame& frame : frames) {
    if (frame.sha256.empty()) continue;
    notes.push_back({std::string(kHashKey), frame.sha256 + " " + frame.name});
  }
  return notes;
}

std::optional<profile::ChartUsed> chart_noted(const std::vector<CsvComment>& notes) {
  profile::ChartUsed chart;
  for (const CsvComment& comment : notes) {
    if (comment.key == "chart") chart.kind = comment.value;
    if (comment.key == "pitch") {
      if (const Result<double> pitch = parse_length_mm(comment.value)) chart.pitch_mm = *pitch;
    }
    if (comment.key == "grid") {
      if (const auto grid = parse_size(comment.value)) {
        chart.columns = grid->first;
        chart.rows = grid->second;
      }
    }
  }
  if (chart.kind.empty()) return std::nullopt;
  return chart;
}

fit::ChartIdentity identity_noted(const std::vector<CsvComment>& notes) {
  bool grid_known = false;
  for (const CsvComment& note : notes) {
    if (note.key == kOriginKey && note.value == kMarkedOrigin) return fit::ChartIdentity::kCommon;
    grid_known = grid_known || (note.key == "grid" && parse_size(note.value));
  }
  return grid_known ? fit::ChartIdentity::kUpToTurn : fit::ChartIdentity::kUnknown;
}

double pixel_aspect_noted(const std::vector<CsvComment>& notes) {
  for (const CsvComment& comment : notes) {
    const std::optional<double> value = parse_number(comment.value);
    if (comment.key == "pixel_aspect" && value && *value > 0.0) return *value;
  }
  return 1.0;
}

std::map<std::string, std::string> hashes_noted(const std::vector<CsvComment>& notes) {
  std::map<std::string, std::string> hashes;
  for (const CsvComment& comment : notes) {
    const std::string_view value = comment.value;
    if (comment.key != kHashKey || value.size() < kHashLength + 2) continue;
    const std::string_view hash = value.substr(0, kHashLength);
    if (is_sha256(hash)) hashes.emplace(value.substr(kHashLength + 1), hash);
  }
  return hashes;
}

}  // namespace trueplate::detail
