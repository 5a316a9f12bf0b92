#include "calib/compare/zoom_change.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "calib/zoom/detail/stations.h"
#include "calib/zoom/zoom_lens.h"
#include "calib/zoom/zoom_profile.h"

namespace trueplate::compare {
namespace {

using Stations = std::span<const profile::Station>;
using zoom::ZoomLens;
using zoom::ZoomState;
using zoom::detail::same_label;

constexpr std::size_t kMostBetween = 60;

ZoomState state_of(const profile::Station& station) {
  return {.focal_mm = zoom::station_focal_mm(station),
          .focus_m = station.focus_m,
          .t_stop = station.t_stop};
}

bool same(const std::optional<double>& a, const std::optional<double>& b) {
  if (!a || !b) return a.has_value() == b.has_value();
  if (std::isinf(*a) || std::isinf(*b)) return *a == *b;
  return same_label(*a, *b);
}

bool at_one_state(const profile::Station& a, const profile::Station& b) {
  const ZoomState first = state_of(a);
  const ZoomState second = state_of(b);
  return same(first.focal_mm, second.focal_mm) && same(first.focus_m, second.focus_m) &&
         same(first.t_stop, second.t_stop);
}

/// The stations at one state, by their numbers in both.
std::vector<std::pair<std::size_t, std::size_t>> pairs_of(Stations first, Stations second) {
  std::vector<std::pair<std::size_t, std::size_t>> pairs;
  for (std::size_t i = 0; i < first.size(); ++i) {
    for (std::size_t k = 0; k < second.size(); ++k) {
      if (!at_one_state(first[i], second[k])) continue;
      pairs.emplace_back(i, k);
      break;
    }
  }
  return pairs;
}

/// The values that differ, rising.
std::vector<double> distinct(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  std::vector<double> result;
  for (const double value : values) {
    if (result.empty() || !(value == result.back() || same_label(value, result.back()))) {
      result.push_back(value);
    }
  }
  return result;
}

/// Halfway between each two neighbours; the value itself where there is one only.
std::vector<double> halfway(const std::vector<double>& values, double (*middle)(double, double)) {
  if (values.size() < 2) return values;
  std::vector<double> result;
  for (std::size_t i = 1; i < values.size(); ++i) {
    result.push_back(middle(values[i - 1], values[i]));
  }
  return result;
}

/// Between stations in focal length and focus, and where only one calibration has a station.
std::vector<ZoomState> states_between(Stations first, Stations second) {
  std::vector<ZoomState> states;
  std::vector<double> focals;
  std::vector<double> per_m;
  std::optional<double> t_stop;
  for (const auto& [own, other] : {std::pair(first, second), std::pair(second, first)}) {
    for (const profile::Station& station : own) {
      const ZoomState state = state_of(station);
      if (state.focal_mm) focals.push_back(*state.focal_mm);
      if (state.focus_m) per_m.push_back(1.0 / *state.focus_m);
      if (!t_stop) t_stop = state.t_stop;
      const bool paired = std::any_of(
          other.begin(), other.end(), [&](const auto& one) { return at_one_state(station, one); });
      if (!paired) states.push_back(state);
    }
  }
  const std::vector<double> focuses =
      halfway(distinct(std::move(per_m)), [](double a, double b) { return 0.5 * (a + b); });
  for (const double focal :
       halfway(distinct(std::move(focals)), [](double a, double b) { return std::sqrt(a * b); })) {
    if (focuses.empty()) states.push_back({.focal_mm = focal, .t_stop = t_stop});
    for (const double near : focuses) {
      states.push_back({.focal_mm = focal, .focus_m = 1.0 / near, .t_stop = t_stop});
    }
  }
  if (states.size() > kMostBetween) states.resize(kMostBetween);
  return states;
}

/// The lenses at a state compared; nullopt where one does not reach it.
std::optional<BetweenChange> between_at(const ZoomLens& first,
                                        const ZoomLens& second,
                                        const ZoomState& state) {
  const Result<zoom::LensAtState> a = first.at(state);
  const Result<zoom::LensAtState> b = second.at(state);
  if (!a || !b) return std::nullopt;
  profile::Station of_a;
  of_a.lens = a->lens;
  profile::Station of_b;
  of_b.lens = b->lens;
  const Result<LensChange> change = lens_change(of_a, of_b);
  if (!change) return std::nullopt;
  return BetweenChange{.state = a->state,
                       .apart = change->after,
                       .sigma_px = std::hypot(a->sigma.rms_px, b->sigma.rms_px)};
}

Result<void> compare_between(Stations first, Stations second, ZoomChange& result) {
  const Result<ZoomLens> of_first = ZoomLens::create(first);
  if (!of_first) {
    return fail(of_first.error().code,
                fmt::format("the first calibration: {}", of_first.error().message));
  }
  const Result<ZoomLens> of_second = ZoomLens::create(second);
  if (!of_second) {
    return fail(of_second.error().code,
                fmt::format("the second calibration: {}", of_second.error().message));
  }
  for (const ZoomState& state : states_between(first, second)) {
    if (const auto found = between_at(*of_first, *of_second, state)) {
      result.between.push_back(*found);
    }
  }
  return {};
}

/// The pair of stations whose difference is least explained.
const StationChange& least_explained(const ZoomChange& change) {
  return *std::min_element(
      change.stations.begin(), change.stations.end(), [](const auto& a, const auto& b) {
        return std::pair(a.change.p_value, -a.change.after.rms_px) <
               std::pair(b.change.p_value, -b.change.after.rms_px);
      });
}

std::string between_text(const ZoomChange& change) {
  if (change.between.empty()) return "";
  const BetweenChange& worst = *std::max_element(
      change.between.begin(), change.between.end(), [](const auto& a, const auto& b) {
        return a.apart.rms_px < b.apart.rms_px;
      });
  return fmt::format(
      "; between stations at most {:.4f} px rms apart ({}), where both together are "
      "known to {:.4f} px",
      worst.apart.rms_px,
      zoom::state_text(worst.state),
      worst.sigma_px);
}

}  // namespace

Result<ZoomChange> zoom_change(Stations first, Stations second, const ChangeOptions& options) {
  ZoomChange result;
  const std::vector<std::pair<std::size_t, std::size_t>> pairs = pairs_of(first, second);
  result.num_only_first = first.size() - pairs.size();
  result.num_only_second = second.size() - std::min(second.size(), pairs.size());
  ChangeOptions of_pair = options;
  of_pair.false_alarm_rate /= static_cast<double>(std::max<std::size_t>(1, pairs.size()));
  bool any_uncertainty = false;
  for (const auto& [i, k] : pairs) {
    Result<LensChange> change = lens_change(first[i], second[k], of_pair);
    if (!change) return fail(change.error());
    any_uncertainty = any_uncertainty || change->has_uncertainty;
    result.num_changed += change->verdict == ChangeVerdict::kChanged ? 1 : 0;
    result.num_uncertain += change->verdict == ChangeVerdict::kTooUncertain ? 1 : 0;
    result.p_value = std::min(result.p_value, change->p_value * static_cast<double>(pairs.size()));
    result.detectable_rms_px = std::max(result.detectable_rms_px, change->detectable_rms_px);
    result.stations.push_back({state_of(first[i]), i, k, *std::move(change)});
  }
  if (Result<void> compared = compare_between(first, second, result); !compared) {
    return fail(compared.error());
  }
  if (result.stations.empty() && result.between.empty()) {
    return fail(ErrorCode::kInvalidInput,
                "there is no focal length and focus distance that both calibrations reach");
  }
  if (result.num_changed > 0) {
    result.verdict = ChangeVerdict::kChanged;
  } else if (!result.stations.empty() && result.num_uncertain == 0) {
    result.verdict = ChangeVerdict::kNotDistinguishable;
  }
  return result;
}

std::string verdict_text(const ZoomChange& change, const ChangeOptions& options) {
  const std::string between = between_text(change);
  if (change.stations.empty()) {
    return "too uncertain to say: the calibrations have no station at one state" + between;
  }
  const StationChange& worst = least_explained(change);
  const std::string numbers = fmt::format(
      "{:.4f} px rms apart after turn and focal length at {}, {:.4f} px are explained, "
      "p = {:.2g} there and at most {:.2g} for all {} stations{}",
      worst.change.after.rms_px,
      zoom::state_text(worst.state),
      worst.change.explained_rms_px,
      worst.change.p_value,
      change.p_value,
      change.stations.size(),
      between);
  switch (change.verdict) {
    case ChangeVerdict::kChanged:
      return fmt::format("changed: at {} of {} stations; least explained {}",
                         change.num_changed,
                         change.stations.size(),
                         numbers);
    case ChangeVerdict::kNotDistinguishable:
      return fmt::format(
          "not distinguishable: least explained {}; a change of {:.3f} px at any "
          "station would have been found",
          numbers,
          change.detectable_rms_px);
    case ChangeVerdict::kTooUncertain:
      break;
  }
  return fmt::format(
      "too uncertain to say: at {} of {} stations a change of {:g} px, which "
      "matters, might hide; least explained {}",
      change.num_uncertain,
      change.stations.size(),
      options.matters_px,
      numbers);
}

}  // namespace trueplate::compare
