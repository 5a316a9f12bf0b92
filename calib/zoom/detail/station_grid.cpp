#include "calib/zoom/detail/station_grid.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

namespace trueplate::zoom::detail {
namespace {

using Eigen::Index;

constexpr double kMmPerM = 1000.0;
/// Of nearness: far below what a focus scale can be read to.
constexpr double kSameNearness = 1e-9;
/// Of a focus within the focal length, which no lens has.
constexpr double kNearest = 1e3;

/// |t (1 - t)| h^2 of the interval that x is in or next to; 0 with a single knot.
double bow_at(const std::vector<double>& knots, double x) {
  if (knots.size() < 2) return 0.0;
  const std::size_t interval = MonotoneSpline(knots).interval(x);
  return std::abs((x - knots[interval]) * (knots[interval + 1] - x));
}

double focus_of(double focal_mm, double nearness) {
  if (nearness == 0.0) return std::numeric_limits<double>::infinity();
  return focal_mm * (1.0 + 1.0 / nearness) / kMmPerM;
}

}  // namespace

std::optional<double> nearness_of(double focal_mm, double focus_m) {
  if (std::isinf(focus_m)) return 0.0;
  const double beyond_mm = focus_m * kMmPerM - focal_mm;
  if (!(beyond_mm > 0.0)) return std::nullopt;
  return focal_mm / beyond_mm;
}

StationGrid::StationGrid(const std::vector<StationPlace>& places,
                         Eigen::MatrixXd numbers,
                         Eigen::Index num_free)
    : numbers_(std::move(numbers)), num_free_(num_free) {
  assert(!places.empty() && static_cast<Index>(places.size()) == numbers_.cols());
  std::vector<std::size_t> order(places.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return places[a].focal_mm < places[b].focal_mm;
  });
  for (const std::size_t i : order) {
    const double focal = places[i].focal_mm;
    if (columns_.empty() || focal > columns_.back().focal_mm * (1.0 + kSameFocal)) {
      columns_.push_back({.focal_mm = focal, .stations = {}, .nearness = {}});
    }
    columns_.back().stations.push_back(i);
  }
  for (Column& column : columns_) {
    std::stable_sort(
        column.stations.begin(), column.stations.end(), [&](std::size_t a, std::size_t b) {
          return places[a].nearness < places[b].nearness;
        });
    for (const std::size_t i : column.stations) column.nearness.push_back(places[i].nearness);
  }
}

Eigen::VectorXd StationGrid::along(const MonotoneSpline& spline,
                                   const Eigen::MatrixXd& values,
                                   double x) const {
  Eigen::VectorXd result = spline.at(values, x);
  result.tail(num_free_) = values.bottomRows(num_free_) * spline.calm_weights(x);
  return result;
}

bool StationGrid::covers(const Column& column, double focus_m) const {
  if (std::isnan(column.nearness.front()) || std::isnan(focus_m)) return true;
  const std::optional<double> nearness = nearness_of(column.focal_mm, focus_m);
  return nearness && *nearness >= column.nearness.front() - kSameNearness &&
         *nearness <= column.nearness.back() + kSameNearness;
}

StationGrid::Mix StationGrid::within(const Column& column, double nearness) const {
  const auto count = static_cast<Index>(column.stations.size());
  Eigen::MatrixXd values(numbers_.rows(), count);
  for (Index i = 0; i < count; ++i) {
    values.col(i) = numbers_.col(static_cast<Index>(column.stations[static_cast<std::size_t>(i)]));
  }
  Mix mix{.numbers = {}, .weights = Eigen::VectorXd::Zero(numbers_.cols())};
  if (count == 1) {
    mix.numbers = values.col(0);
    mix.weights[static_cast<Index>(column.stations.front())] = 1.0;
    return mix;
  }
  const MonotoneSpline spline(column.nearness);
  mix.numbers = along(spline, values, nearness);
  const Eigen::VectorXd weights = spline.weights(nearness);
  for (Index i = 0; i < count; ++i) {
    mix.weights[static_cast<Index>(column.stations[static_cast<std::size_t>(i)])] = weights[i];
  }
  return mix;
}

/// Newton's divided difference over these nearnesses, all within the column's: the change between
/// two, over their distance; of three the change of that.
StationGrid::Mix StationGrid::divided_difference(const Column& column,
                                                 const std::vector<double>& nearness) const {
  std::vector<Mix> level;
  for (const double place : nearness) level.push_back(within(column, place));
  for (std::size_t order = 1; order < nearness.size(); ++order) {
    for (std::size_t i = 0; i + order < nearness.size(); ++i) {
      const double apart = nearness[i] - nearness[i + order];
      level[i].numbers = (level[i].numbers - level[i + 1].numbers) / apart;
      level[i].weights = (level[i].weights - level[i + 1].weights) / apart;
    }
  }
  return std::move(level.front());
}

/// The divided difference over focus distances at a focal length, from those that have stations for
/// all of them.
std::optional<StationGrid::Mix> StationGrid::lent_difference(
    double focal_mm, const std::vector<double>& focus_m) const {
  std::vector<double> knots;
  std::vector<Mix> found;
  for (const Column& column : columns_) {
    if (std::isnan(column.nearness.front())) continue;
    if (!std::all_of(focus_m.begin(), focus_m.end(), [&](double s) { return covers(column, s); })) {
      continue;
    }
    std::vector<double> nearness;
    for (const double s : focus_m) {
      nearness.push_back(std::clamp(
          *nearness_of(column.focal_mm, s), column.nearness.front(), column.nearness.back()));
    }
    knots.push_back(std::log(column.focal_mm));
    found.push_back(divided_difference(column, nearness));
  }
  if (knots.empty()) return std::nullopt;
  const auto count = static_cast<Index>(knots.size());
  Eigen::MatrixXd values(numbers_.rows(), count);
  for (Index i = 0; i < count; ++i) values.col(i) = found[static_cast<std::size_t>(i)].numbers;
  const double x = std::clamp(std::log(focal_mm), knots.front(), knots.back());
  const MonotoneSpline spline(std::move(knots));
  Mix mix{along(spline, values, x), Eigen::VectorXd::Zero(numbers_.cols())};
  const Eigen::VectorXd weights = spline.weights(x);
  for (Index i = 0; i < count; ++i) {
    mix.weights += weights[i] * found[static_cast<std::size_t>(i)].weights;
  }
  return mix;
}

/// At a focus distance that this focal length has no stations for.
StationGrid::Mix StationGrid::beyond(const Column& column,
                                     double focus_m,
                                     Blend::Focus& focus) const {
  // A focus within a column's own focal length is nearer than any that there is.
  const double nearness = nearness_of(column.focal_mm, focus_m).value_or(kNearest);
  focus.nearer = nearness > column.nearness.back();
  const std::size_t count = column.nearness.size();
  const double end = focus.nearer ? column.nearness.back() : column.nearness.front();
  const double distance = nearness - end;
  focus.lent = std::abs(distance);
  const double end_m = focus_of(column.focal_mm, end);
  Mix mix = within(column, end);
  if (count > 1) {
    const double next = column.nearness[focus.nearer ? count - 2 : 1];
    const std::optional<Mix> bend =
        focus.lent > std::abs(end - next)
            ? std::nullopt
            : lent_difference(column.focal_mm, {focus_m, end_m, focus_of(column.focal_mm, next)});
    if (bend) {
      const Mix line = divided_difference(column, {end, next});
      const double area = distance * (nearness - next);
      mix.numbers += distance * line.numbers + area * bend->numbers;
      mix.weights += distance * line.weights + area * bend->weights;
      focus.from_others = true;
      return mix;
    }
  }
  const std::optional<Mix> slope = lent_difference(column.focal_mm, {focus_m, end_m});
  if (!slope) return within(column, nearness);
  mix.numbers += distance * slope->numbers;
  mix.weights += distance * slope->weights;
  focus.from_others = true;
  return mix;
}

StationGrid::Mix StationGrid::at_focus(const Column& column,
                                       double focus_m,
                                       Blend::Focus& focus) const {
  if (std::isnan(column.nearness.front()) || std::isnan(focus_m)) {
    return within(column, column.nearness.front());
  }
  if (covers(column, focus_m)) {
    const double nearness = std::clamp(
        *nearness_of(column.focal_mm, focus_m), column.nearness.front(), column.nearness.back());
    focus.bow = bow_at(column.nearness, nearness);
    return within(column, nearness);
  }
  Mix mix = beyond(column, focus_m, focus);
  if (!focus.from_others) {
    focus.bow = bow_at(column.nearness, nearness_of(column.focal_mm, focus_m).value_or(kNearest));
  }
  return mix;
}

Blend StationGrid::at(double focal_mm, double focus_m) const {
  std::vector<double> knots;
  for (const Column& column : columns_) knots.push_back(std::log(column.focal_mm));
  // Not drawn to a column whose label is nearly the same: a slow zoom would stall there and jump.
  const double x = std::log(focal_mm);
  const MonotoneSpline spline(knots);
  Blend blend;
  blend.lower = spline.interval(x);
  blend.upper = std::min(blend.lower + 1, knots.size() - 1);
  if (blend.upper > blend.lower) {
    const double width = knots[blend.upper] - knots[blend.lower];
    blend.upper_share = std::clamp((x - knots[blend.lower]) / width, 0.0, 1.0);
  }
  blend.focal_bow = bow_at(knots, x);
  blend.focal_beyond = std::max({0.0, knots.front() - x, x - knots.back()});
  blend.focus_beyond = std::none_of(columns_.begin(), columns_.end(), [&](const Column& column) {
    return covers(column, focus_m);
  });

  const auto count = static_cast<Index>(columns_.size());
  Eigen::MatrixXd values(numbers_.rows(), count);
  Eigen::MatrixXd shares(numbers_.cols(), count);
  for (Index i = 0; i < count; ++i) {
    const auto k = static_cast<std::size_t>(i);
    Blend::Focus focus;
    const Mix mix = at_focus(columns_[k], focus_m, focus);
    values.col(i) = mix.numbers;
    shares.col(i) = mix.weights;
    if (k == blend.lower) blend.focus_lower = focus;
    if (k == blend.upper) blend.focus_upper = focus;
  }
  blend.numbers = along(spline, values, x);
  blend.weights = shares * spline.weights(x);
  return blend;
}

}  // namespace trueplate::zoom::detail
