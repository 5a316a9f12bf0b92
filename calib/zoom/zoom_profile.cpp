#include "calib/zoom/zoom_profile.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <tuple>
#include <utility>

#include "calib/lens/distortion_measures.h"
#include "calib/zoom/detail/station_grid.h"
#include "calib/zoom/station_doubts.h"

namespace trueplate::zoom {
namespace {

/// Takes a label over, or refuses one that differs.
Result<void> merge_label(std::string& into,
                         const std::string& label,
                         std::string_view what,
                         const NamedProfile& first,
                         const NamedProfile& other) {
  if (label.empty() || into == label) return {};
  if (into.empty()) {
    into = label;
    return {};
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: {} is '{}', and '{}' in {}; stations are of one lens on one camera",
                          other.name,
                          what,
                          label,
                          into,
                          first.name));
}

Result<profile::Labels> common_labels(const std::vector<NamedProfile>& profiles) {
  profile::Labels labels;
  for (const NamedProfile& one : profiles) {
    const profile::Labels& own = one.profile.labels;
    const NamedProfile& first = profiles.front();
    for (Result<void> merged :
         {merge_label(labels.lens, own.lens, "the lens", first, one),
          merge_label(labels.serial, own.serial, "its serial number", first, one),
          merge_label(labels.body, own.body, "the camera body", first, one)}) {
      if (!merged) return fail(merged.error());
    }
    if (labels.owner.empty()) labels.owner = own.owner;
    if (!own.notes.empty() && labels.notes.find(own.notes) == std::string::npos) {
      labels.notes += (labels.notes.empty() ? "" : "; ") + own.notes;
    }
  }
  return labels;
}

bool same_chart(const std::optional<profile::ChartUsed>& a,
                const std::optional<profile::ChartUsed>& b) {
  if (!a || !b) return !a && !b;
  return a->kind == b->kind && a->pitch_mm == b->pitch_mm && a->columns == b->columns &&
         a->rows == b->rows;
}

void sort_stations(std::vector<profile::Station>& stations) {
  const auto key = [](const profile::Station& station) {
    return std::tuple(station_focal_mm(station).value_or(0.0),
                      station.focus_m.value_or(0.0),
                      station.t_stop.value_or(0.0));
  };
  std::stable_sort(stations.begin(), stations.end(), [&](const auto& a, const auto& b) {
    return key(a) < key(b);
  });
}

std::optional<profile::LeftOut> noted(const std::optional<StateSigma>& left_out) {
  if (!left_out) return std::nullopt;
  return profile::LeftOut{.rms_px = left_out->rms_px, .max_px = left_out->max_px};
}

/// The doubts of a station that counts for less than this do not concern a lens beside it.
constexpr double kLeastWeight = 0.01;

/// The station that stands at a state, if one does.
const profile::Station* station_at(const profile::Profile& profile, const ZoomState& state) {
  const auto same = [](const std::optional<double>& a, const std::optional<double>& b) {
    if (!a || !b) return true;
    return *a == *b || std::abs(*a - *b) <= 1e-9 * std::abs(*b);
  };
  const auto found =
      std::find_if(profile.stations.begin(), profile.stations.end(), [&](const auto& station) {
        return same(station_focal_mm(station), state.focal_mm) &&
               same(station.focus_m, state.focus_m) && same(station.t_stop, state.t_stop);
      });
  return found == profile.stations.end() ? nullptr : &*found;
}

}  // namespace

std::string state_text(const ZoomState& state) {
  std::vector<std::string> parts;
  if (state.focal_mm) parts.push_back(fmt::format("{:g} mm", *state.focal_mm));
  if (state.focus_m) {
    parts.push_back(std::isinf(*state.focus_m) ? std::string("infinity")
                                               : fmt::format("{:g} m", *state.focus_m));
  }
  if (state.t_stop) parts.push_back(fmt::format("T{:g}", *state.t_stop));
  return fmt::format("{}", fmt::join(parts, ", "));
}

Result<Gathered> gather(std::vector<NamedProfile> profiles, const GatherOptions& options) {
  const Result<profile::Labels> labels = common_labels(profiles);
  if (!labels) return fail(labels.error());
  Gathered result;
  result.profile.labels = *labels;
  std::string names;
  for (NamedProfile& one : profiles) {
    if (&one == &profiles.front()) result.profile.chart = one.profile.chart;
    if (!same_chart(result.profile.chart, one.profile.chart)) result.profile.chart.reset();
    for (profile::Station& station : one.profile.stations) {
      result.profile.stations.push_back(std::move(station));
    }
    for (profile::FootageItem& item : one.profile.provenance.footage) {
      result.profile.provenance.footage.push_back(std::move(item));
    }
    names += (names.empty() ? "" : ", ") + one.name;
  }
  sort_stations(result.profile.stations);
  if (options.pooling == Pooling::kAuto) result.pool_tests = pool(result.profile.stations);
  const Result<ZoomLens> lens = ZoomLens::create(result.profile.stations);
  if (!lens) return fail(lens.error());
  for (std::size_t i = 0; i < result.profile.stations.size(); ++i) {
    profile::Station& station = result.profile.stations[i];
    station.without_station = noted(lens->left_out()[i].station);
    station.without_focal_length = noted(lens->left_out()[i].focal_length);
  }
  result.warnings = note_doubts(result.profile.stations);
  profile::Provenance& provenance = result.profile.provenance;
  provenance.created = options.created;
  provenance.program = "trueplate";
  provenance.program_version = options.program_version;
  provenance.method =
      fmt::format("{} stations gathered from {}", result.profile.stations.size(), names);
  for (const PoolTest& test : result.pool_tests) {
    if (!test.pooled) continue;
    provenance.method += fmt::format("; {} common to {} (chi-square {:.1f} of {}, p {:.2g})",
                                     test.what,
                                     test.over,
                                     test.chi_square,
                                     test.degrees,
                                     test.p_value);
  }
  return result;
}

Result<StateProfile> profile_at(const profile::Profile& profile,
                                const ColourZoom& lens,
                                const ZoomState& state,
                                Beyond beyond) {
  const Result<ColourZoom::AtState> colours = lens.at(state, beyond);
  if (!colours) return fail(colours.error());
  const LensAtState* const found = &colours->green;
  StateProfile result{.profile = profile, .sigma = found->sigma};
  result.profile.stations.clear();
  if (const profile::Station* exact = station_at(profile, found->state)) {
    result.profile.stations.push_back(*exact);
    return result;
  }
  profile::Station station;
  station.nominal_focal_mm = found->state.focal_mm;
  station.focus_m = found->state.focus_m;
  station.t_stop = found->state.t_stop;
  station.entrance_pupil_mm = found->entrance_pupil_mm;
  station.lens = found->lens;
  station.warnings = found->warnings;
  station.warnings.push_back(
      {"interpolated",
       fmt::format(
           "between stations: the predicted error is {:.4f} px over the plate, {:.4f} px at "
           "the worst place; the focal length is known to {:.2g} %",
           found->sigma.rms_px,
           found->sigma.max_px,
           100.0 * found->sigma.focal_share),
       found->sigma.rms_px});
  for (std::size_t i = 0; i < profile.stations.size(); ++i) {
    if (!(std::abs(found->station_weights[i]) > kLeastWeight)) continue;
    for (Warning& doubt : named_doubts(profile.stations, i)) {
      station.warnings.push_back(std::move(doubt));
    }
  }
  station.channels = channels_at(profile.stations, *colours);
  const auto by_colour = std::count_if(profile.stations.begin(),
                                       profile.stations.end(),
                                       [](const auto& one) { return one.channels.has_value(); });
  if (by_colour > 0 && !station.channels) {
    station.warnings.push_back(
        {"colours-left-out",
         fmt::format("{} of {} stations were fitted by colour, wanted all, in one model: this is "
                     "the lens of green",
                     by_colour,
                     profile.stations.size()),
         static_cast<double>(by_colour)});
  }
  result.profile.stations.push_back(std::move(station));
  result.profile.provenance.method = fmt::format("interpolated at {} between {} stations ({})",
                                                 state_text(found->state),
                                                 profile.stations.size(),
                                                 profile.provenance.method);
  return result;
}

std::vector<Breathing> breathing(const profile::Profile& profile, const ZoomLens& lens) {
  std::vector<double> focals;
  std::vector<double> distances;
  for (const profile::Station& station : profile.stations) {
    const double focal = station_focal_mm(station).value_or(0.0);
    const bool known = std::any_of(focals.begin(), focals.end(), [&](double other) {
      return std::abs(focal - other) <= detail::StationGrid::kSameFocal * other;
    });
    if (!known) focals.push_back(focal);
    if (!station.focus_m) return {};
    if (std::find(distances.begin(), distances.end(), *station.focus_m) == distances.end()) {
      distances.push_back(*station.focus_m);
    }
  }
  std::sort(focals.begin(), focals.end());
  std::sort(distances.begin(), distances.end());
  std::optional<double> t_stop;
  if (!lens.reach().t_stops.empty()) t_stop = lens.reach().t_stops.front();
  std::vector<Breathing> curves;
  for (const double focal : focals) {
    Breathing curve{.focal_mm = focal, .points = {}};
    double farthest_px = 0.0;
    for (const double focus : distances) {
      const ZoomState state{.focal_mm = focal, .focus_m = focus, .t_stop = t_stop};
      const Result<LensAtState> at = lens.at(state);
      if (!at) continue;
      const std::optional<Point2d> focal_mm = lens::focal_mm(at->lens);
      const std::optional<lens::FieldOfView> view = lens::plate_field_of_view(at->lens);
      farthest_px = at->lens.focal_px.x();
      curve.points.push_back({.focus_m = focus,
                              .pinhole_mm = focal_mm ? focal_mm->x() : 0.0,
                              .horizontal_view_deg = view ? view->horizontal_deg : 0.0,
                              .scale_percent = farthest_px,
                              .is_station = station_at(profile, state) != nullptr});
    }
    for (Breathing::Point& point : curve.points) {
      point.scale_percent = 100.0 * (point.scale_percent / farthest_px - 1.0);
    }
    curves.push_back(std::move(curve));
  }
  return curves;
}

}  // namespace trueplate::zoom
