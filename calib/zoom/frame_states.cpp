#include "calib/zoom/frame_states.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <set>
#include <string_view>
#include <utility>

#include "calib/base/csv.h"
#include "calib/base/text.h"

namespace trueplate::zoom {
namespace {

constexpr double kMmPerM = 1000.0;

enum class Kind { kFocalMm, kFocusM, kNumber };

/// A cell in mm, m, or as it stands; nullopt when it is none of that.
std::optional<double> value_of(const std::string& cell, Kind kind) {
  if (const std::optional<double> bare = parse_number(cell)) {
    return *bare > 0.0 && std::isfinite(*bare) ? bare : std::nullopt;
  }
  if (kind == Kind::kNumber) return std::nullopt;
  const Result<double> length_mm = parse_length_mm(
      cell, kind == Kind::kFocusM ? InfinityPolicy::kAllow : InfinityPolicy::kRefuse);
  if (!length_mm) return std::nullopt;
  return kind == Kind::kFocusM ? *length_mm / kMmPerM : *length_mm;
}

std::string_view wanted(Kind kind) {
  switch (kind) {
    case Kind::kFocalMm:
      return "a focal length in mm, or with a unit";
    case Kind::kFocusM:
      return "a focus distance in m, or with a unit, or inf";
    case Kind::kNumber:
      break;
  }
  return "a number above zero";
}

struct Column {
  std::string_view name;
  std::string_view with_unit;  // another name of it, which says what bare numbers count
  Kind kind = Kind::kNumber;
  std::optional<double> ZoomState::*member;
  std::optional<std::size_t> place = std::nullopt;
};

/// One coordinate of the states: read, changed along the frames, and put back.
struct Coordinate {
  std::optional<double> ZoomState::*member;
  double (*to_line)(double);
  double (*from_line)(double);
};

double logarithm(double value) { return std::log(value); }
double exponential(double value) { return std::exp(value); }
double reciprocal(double value) { return 1.0 / value; }
/// Of a distance: infinity where the line went beyond it.
double distance(double value) {
  return value > 1e-9 ? 1.0 / value : std::numeric_limits<double>::infinity();
}

/// The value at frame `at` of the weighted straight line through values over frames.
double line_at(const std::vector<double>& frames,
               const std::vector<double>& values,
               double at,
               double sigma) {
  double w = 0.0;
  double wx = 0.0;
  double wxx = 0.0;
  double wy = 0.0;
  double wxy = 0.0;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    const double x = frames[i] - at;
    const double weight = std::exp(-0.5 * x * x / (sigma * sigma));
    w += weight;
    wx += weight * x;
    wxx += weight * x * x;
    wy += weight * values[i];
    wxy += weight * x * values[i];
  }
  const double determinant = w * wxx - wx * wx;
  if (determinant <= 1e-9 * w * wxx || wxx == 0.0) return wy / w;
  return (wxx * wy - wx * wxy) / determinant;
}

}  // namespace

Result<std::vector<FrameState>> parse_frame_states(std::string text, std::string source) {
  const Result<CsvTable> table = CsvTable::parse(std::move(text), std::move(source));
  if (!table) return fail(table.error());
  const Result<std::size_t> frame_column = table->column("frame");
  if (!frame_column) return fail(frame_column.error());
  std::vector<Column> columns{{"focal", "focal_mm", Kind::kFocalMm, &ZoomState::focal_mm},
                              {"focus", "focus_m", Kind::kFocusM, &ZoomState::focus_m},
                              {"t_stop", "t_stop", Kind::kNumber, &ZoomState::t_stop}};
  bool any = false;
  for (Column& column : columns) {
    const Result<std::optional<std::size_t>> place = table->find_column(column.name);
    if (!place) return fail(place.error());
    const Result<std::optional<std::size_t>> other = table->find_column(column.with_unit);
    if (!other) return fail(other.error());
    if (*place && *other && **place != **other) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: has both a column {} and a column {}, wanted one of them",
                              table->source(),
                              column.name,
                              column.with_unit));
    }
    if (*other) column.name = column.with_unit;
    column.place = *other ? *other : *place;
    any = any || column.place;
  }
  if (!any) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: has neither a column focal nor focus nor t_stop, wanted one",
                            table->source()));
  }
  std::vector<FrameState> states;
  std::set<int> seen;
  for (std::size_t row = 0; row < table->num_rows(); ++row) {
    const std::optional<int> frame = parse_int(trim(table->cell(row, *frame_column)));
    if (!frame) {
      return fail(table->error_at(
          row,
          fmt::format("frame is '{}', wanted a whole number", table->cell(row, *frame_column))));
    }
    if (!seen.insert(*frame).second) {
      return fail(table->error_at(row, fmt::format("frame {} stands twice", *frame)));
    }
    FrameState state{.frame = *frame, .state = {}};
    for (const Column& column : columns) {
      if (!column.place || table->is_blank(row, *column.place)) continue;
      const std::string cell{trim(table->cell(row, *column.place))};
      const std::optional<double> value = value_of(cell, column.kind);
      if (!value) {
        return fail(table->error_at(
            row, fmt::format("{} is '{}', wanted {}", column.name, cell, wanted(column.kind))));
      }
      state.state.*column.member = *value;
    }
    states.push_back(state);
  }
  return states;
}

std::vector<FrameState> smoothed(std::vector<FrameState> states, double frames) {
  if (!(frames > 0.0)) return states;
  const double sigma = std::min(frames, kMostSmoothFrames);
  std::stable_sort(
      states.begin(), states.end(), [](const auto& a, const auto& b) { return a.frame < b.frame; });
  const Coordinate coordinates[] = {{&ZoomState::focal_mm, logarithm, exponential},
                                    {&ZoomState::focus_m, reciprocal, distance},
                                    {&ZoomState::t_stop, logarithm, exponential}};
  constexpr double kReach = 5.0;  // standard deviations, beyond which nothing counts
  for (const Coordinate& coordinate : coordinates) {
    const bool all = std::all_of(states.begin(), states.end(), [&](const FrameState& state) {
      return (state.state.*coordinate.member).has_value();
    });
    if (!all) continue;
    std::vector<double> values;
    for (const FrameState& state : states) {
      values.push_back(coordinate.to_line(*(state.state.*coordinate.member)));
    }
    std::size_t first = 0;
    for (FrameState& state : states) {
      const double here = state.frame;
      while (states[first].frame < here - kReach * sigma) ++first;
      std::vector<double> near_frames;
      std::vector<double> near_values;
      for (std::size_t i = first; i < states.size() && states[i].frame <= here + kReach * sigma;
           ++i) {
        near_frames.push_back(states[i].frame);
        near_values.push_back(values[i]);
      }
      state.state.*coordinate.member =
          coordinate.from_line(line_at(near_frames, near_values, here, sigma));
    }
  }
  return states;
}

}  // namespace trueplate::zoom
