#include "calib/zoom/zoom_lens.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/zoom/detail/common_model.h"
#include "calib/zoom/detail/plate_field.h"
#include "calib/zoom/detail/refit.h"
#include "calib/zoom/detail/station_grid.h"
#include "calib/zoom/detail/stations.h"
#include "calib/zoom/detail/trust.h"

namespace trueplate::zoom {
namespace {

using detail::Blend;
using detail::CommonModel;
using detail::FieldDifference;
using detail::kSameLabel;
using detail::PlateField;
using detail::same_label;
using detail::StationGrid;
using detail::StationPlace;
using Eigen::Index;

constexpr double kNotKnown = std::numeric_limits<double>::quiet_NaN();
constexpr Index kFewestNodes = 20;

StateSigma sigma_of(const FieldDifference& difference) {
  return {difference.rms_px, difference.max_px, difference.focal_share};
}

std::string focus_text(double focus_m) {
  return std::isinf(focus_m) ? std::string("infinity") : fmt::format("{:g} m", focus_m);
}

/// Stations of one T-stop, or all of them where it does not matter.
struct Group {
  double t_stop = kNotKnown;
  std::vector<std::size_t> stations;
  StationGrid grid;
  detail::Trust trust;

  Group(double stop,
        std::vector<std::size_t> members,
        const std::vector<StationPlace>& places,
        Eigen::MatrixXd numbers,
        const PlateField& field)
      : t_stop(stop),
        stations(std::move(members)),
        grid(places, std::move(numbers), PlateField::kNumFree),
        trust(field, places, grid) {}
};

Result<lens::Model> model_of(std::string_view name, const Eigen::VectorXd& coefficients) {
  return lens::make_model(name,
                          {coefficients.data(), static_cast<std::size_t>(coefficients.size())});
}

}  // namespace

std::optional<double> station_focal_mm(const profile::Station& station) {
  if (station.nominal_focal_mm) return station.nominal_focal_mm;
  const std::optional<Point2d> fitted = lens::focal_mm(station.lens);
  return fitted ? std::optional(fitted->y()) : std::nullopt;
}

struct ZoomLens::Data {
  PlateField field;
  lens::Lens frame;  // plate, aspects and film back of all stations
  CommonModel model;
  std::vector<StateSigma> sigmas;  // of the stations
  std::size_t num_unknown_sigmas = 0;
  std::vector<std::unique_ptr<Group>> groups;  // by rising T-stop
  std::vector<StationLeftOut> left_out;
  Reach reach;

  [[nodiscard]] Result<ZoomState> resolved(const ZoomState& asked) const;
  [[nodiscard]] Result<bool> is_beyond(const ZoomState& state, Beyond beyond) const;

  struct Interpolated {
    Eigen::VectorXd numbers;
    Eigen::VectorXd weights;  // of all stations
    FieldDifference between;
  };
  [[nodiscard]] Interpolated interpolated(const ZoomState& state) const;
  [[nodiscard]] Interpolated in_group(const Group& group, const ZoomState& state) const;
};

/// With what need not be said filled in.
Result<ZoomState> ZoomLens::Data::resolved(const ZoomState& asked) const {
  ZoomState state = asked;
  const auto is_length = [](const std::optional<double>& value) {
    return !value || (*value > 0.0 && !std::isnan(*value));
  };
  if (!is_length(state.focal_mm) || !is_length(state.focus_m) || !is_length(state.t_stop) ||
      std::isinf(state.focal_mm.value_or(1.0)) || std::isinf(state.t_stop.value_or(1.0))) {
    return fail(ErrorCode::kInvalidInput,
                "focal length, focus distance and T-stop have to be above zero, and only the focus "
                "may be infinite");
  }
  if (!state.focal_mm) {
    if (!same_label(reach.least_focal_mm, reach.most_focal_mm)) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("the lens is a zoom of {:g} to {:g} mm: say its focal length",
                              reach.least_focal_mm,
                              reach.most_focal_mm));
    }
    state.focal_mm = reach.least_focal_mm;
  }
  if (!state.focus_m && reach.nearest_m) {
    if (*reach.nearest_m != *reach.farthest_m) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("the lens was calibrated from {} to {}: say its focus distance",
                              focus_text(*reach.nearest_m),
                              focus_text(*reach.farthest_m)));
    }
    state.focus_m = reach.nearest_m;
  }
  if (state.focus_m && !detail::nearness_of(*state.focal_mm, *state.focus_m)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a focus distance of {} is within the focal length of {:g} mm",
                            focus_text(*state.focus_m),
                            *state.focal_mm));
  }
  if (reach.t_stops.empty() || state.t_stop) return state;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("the stations differ in T-stop (T{:g} to T{:g}): say which",
                          reach.t_stops.front(),
                          reach.t_stops.back()));
}

/// Whether a state lies beyond the stations; an error where it must not.
Result<bool> ZoomLens::Data::is_beyond(const ZoomState& state, Beyond beyond) const {
  const auto outside = [](double value, double least, double most) {
    return value < least * (1.0 - kSameLabel) || value > most * (1.0 + kSameLabel);
  };
  std::string complaint;
  if (outside(*state.focal_mm, reach.least_focal_mm, reach.most_focal_mm)) {
    complaint = fmt::format(
        "a focal length of {:g} mm is beyond the stations, which span {:g} to "
        "{:g} mm",
        *state.focal_mm,
        reach.least_focal_mm,
        reach.most_focal_mm);
  } else if (state.focus_m && reach.nearest_m &&
             outside(*state.focus_m, *reach.nearest_m, *reach.farthest_m)) {
    complaint = fmt::format("a focus distance of {} is beyond the stations, which span {} to {}",
                            focus_text(*state.focus_m),
                            focus_text(*reach.nearest_m),
                            focus_text(*reach.farthest_m));
  } else if (state.t_stop && !reach.t_stops.empty() &&
             outside(*state.t_stop, reach.t_stops.front(), reach.t_stops.back())) {
    complaint = fmt::format("T{:g} is beyond the stations, which span T{:g} to T{:g}",
                            *state.t_stop,
                            reach.t_stops.front(),
                            reach.t_stops.back());
  }
  if (complaint.empty()) return false;
  if (beyond == Beyond::kExtrapolate) return true;
  return fail(ErrorCode::kInvalidInput, complaint + "; calibrate it there, or extrapolate");
}

ZoomLens::Data::Interpolated ZoomLens::Data::in_group(const Group& group,
                                                      const ZoomState& state) const {
  const Blend blend = group.grid.at(*state.focal_mm, state.focus_m.value_or(kNotKnown));
  Interpolated result{.numbers = blend.numbers,
                      .weights = Eigen::VectorXd::Zero(static_cast<Index>(sigmas.size())),
                      .between = group.trust.of(blend)};
  for (std::size_t i = 0; i < group.stations.size(); ++i) {
    result.weights[static_cast<Index>(group.stations[i])] = blend.weights[static_cast<Index>(i)];
  }
  return result;
}

ZoomLens::Data::Interpolated ZoomLens::Data::interpolated(const ZoomState& state) const {
  if (groups.size() == 1) return in_group(*groups.front(), state);
  std::size_t behind = 1;
  while (behind + 1 < groups.size() && groups[behind]->t_stop < *state.t_stop) ++behind;
  const Group& a = *groups[behind - 1];
  const Group& b = *groups[behind];
  const double share =
      std::clamp(std::log(*state.t_stop / a.t_stop) / std::log(b.t_stop / a.t_stop), 0.0, 1.0);
  const Interpolated open = in_group(a, state);
  const Interpolated closed = in_group(b, state);
  // Along T-stop a straight line, trusted as that between two focal lengths is: it may bend by as
  // much as it changes.
  const FieldDifference bend =
      share * (1.0 - share) * detail::difference_of(field, open.numbers, closed.numbers);
  return {
      .numbers = (1.0 - share) * open.numbers + share * closed.numbers,
      .weights = (1.0 - share) * open.weights + share * closed.weights,
      .between = root_sum(bend, root_sum((1.0 - share) * open.between, share * closed.between))};
}

ZoomLens::ZoomLens(std::unique_ptr<const Data> data) : data_(std::move(data)) {}
ZoomLens::ZoomLens(ZoomLens&&) noexcept = default;
ZoomLens& ZoomLens::operator=(ZoomLens&&) noexcept = default;
ZoomLens::~ZoomLens() = default;

Result<ZoomLens> ZoomLens::create(std::span<const profile::Station> stations, Colour colour) {
  const Result<std::vector<StationPlace>> places = detail::places_of(stations, colour);
  if (!places) return fail(places.error());
  const Result<std::vector<std::vector<std::size_t>>> groups = detail::groups_of(stations, *places);
  if (!groups) return fail(groups.error());

  std::vector<lens::Lens> lenses;
  for (const profile::Station& station : stations)
    lenses.push_back(*detail::lens_of(station, colour));
  PlateField field(lenses);
  if (field.num_nodes() < kFewestNodes) {
    return fail(ErrorCode::kNotConverged,
                "the stations have no part of the plate in common that all can straighten");
  }
  Eigen::MatrixXd numbers(field.dimension(), static_cast<Index>(lenses.size()));
  for (std::size_t i = 0; i < lenses.size(); ++i) {
    numbers.col(static_cast<Index>(i)) = field.numbers_of(lenses[i], stations[i].entrance_pupil_mm);
  }
  std::optional<CommonModel> model = detail::common_model(lenses, field, numbers);
  if (!model) {
    return fail(ErrorCode::kNotConverged,
                "no model of the stations' holds all of them; calibrate them with one --model");
  }
  auto data = std::make_unique<Data>(Data{.field = std::move(field),
                                          .frame = lenses.front(),
                                          .model = *std::move(model),
                                          .sigmas = {},
                                          .num_unknown_sigmas = 0,
                                          .groups = {},
                                          .left_out = std::vector<StationLeftOut>(stations.size()),
                                          .reach = detail::reach_of(stations, *places)});
  for (const profile::Station& station : stations) {
    StateSigma sigma;
    const bool known = station.quality && station.quality->map_sigma_rms_px;
    if (known) {
      sigma.rms_px = *station.quality->map_sigma_rms_px;
      sigma.max_px = station.quality->map_sigma_max_px.value_or(sigma.rms_px);
    }
    if (station.uncertainty) {
      sigma.focal_share = profile::sigma(*station.uncertainty, "focal_x_px").value_or(0.0) /
                          station.lens.focal_px.x();
    }
    data->num_unknown_sigmas += known ? 0 : 1;
    data->sigmas.push_back(sigma);
  }
  for (const std::vector<std::size_t>& members : *groups) {
    std::vector<StationPlace> of_group;
    Eigen::MatrixXd columns(numbers.rows(), static_cast<Index>(members.size()));
    for (std::size_t i = 0; i < members.size(); ++i) {
      of_group.push_back((*places)[members[i]]);
      columns.col(static_cast<Index>(i)) = numbers.col(static_cast<Index>(members[i]));
    }
    const double t_stop = groups->size() > 1 ? *stations[members.front()].t_stop : kNotKnown;
    if (groups->size() > 1) data->reach.t_stops.push_back(t_stop);
    data->groups.push_back(
        std::make_unique<Group>(t_stop, members, of_group, std::move(columns), data->field));
    const std::vector<detail::LeftOut>& left_out = data->groups.back()->trust.left_out();
    for (std::size_t i = 0; i < members.size(); ++i) {
      StationLeftOut& station = data->left_out[members[i]];
      if (left_out[i].station) station.station = sigma_of(*left_out[i].station);
      if (left_out[i].focal_length) station.focal_length = sigma_of(*left_out[i].focal_length);
    }
  }
  return ZoomLens(std::move(data));
}

Result<LensAtState> ZoomLens::at(const ZoomState& asked, Beyond beyond) const {
  const Result<ZoomState> state = data_->resolved(asked);
  if (!state) return fail(state.error());
  const Result<bool> extrapolated = data_->is_beyond(*state, beyond);
  if (!extrapolated) return fail(extrapolated.error());
  const Data::Interpolated found = data_->interpolated(*state);
  const Result<lens::Model> start =
      model_of(data_->model.name, data_->model.coefficients * found.weights);
  if (!start) return fail(start.error());
  const std::optional<detail::Refit> refit = detail::refit_to(data_->field, found.numbers, *start);
  if (!refit) {
    return fail(ErrorCode::kNotConverged,
                fmt::format("no coefficients of {} meet the lens at {:g} mm without folding",
                            data_->model.name,
                            *state->focal_mm));
  }

  LensAtState result;
  result.state = *state;
  result.lens = data_->frame;
  result.lens.focal_px = data_->field.focal_px(found.numbers);
  result.lens.principal_point_px = data_->field.principal_point_px(found.numbers);
  result.lens.model = refit->model;
  result.entrance_pupil_mm = data_->field.entrance_pupil_mm(found.numbers);
  result.refit_rms_px = refit->rms_px;
  result.refit_max_px = refit->max_px;
  FieldDifference noise;
  for (std::size_t i = 0; i < data_->sigmas.size(); ++i) {
    const StateSigma& sigma = data_->sigmas[i];
    noise = root_sum(noise,
                     std::abs(found.weights[static_cast<Index>(i)]) *
                         FieldDifference{sigma.rms_px, sigma.max_px, sigma.focal_share});
  }
  result.sigma = sigma_of(root_sum(noise, found.between));
  result.station_weights.assign(found.weights.begin(), found.weights.end());
  const auto warn = [&](std::string code, std::string message, double value) {
    result.warnings.push_back({std::move(code), std::move(message), value});
  };
  if (*extrapolated) {
    warn(
        "extrapolated",
        fmt::format("beyond the stations: the lens may be off by {:.3f} px rms, {:.3f} px at worst "
                    "(one standard deviation), and its focal length by {:.2g} %",
                    result.sigma.rms_px,
                    result.sigma.max_px,
                    100.0 * result.sigma.focal_share),
        result.sigma.rms_px);
  }
  if (refit->max_px > kRefitLimitPx) {
    warn("refit-misses",
         fmt::format("{} misses the interpolated field by {:.3f} px rms, {:.3f} px at worst",
                     data_->model.name,
                     refit->rms_px,
                     refit->max_px),
         refit->max_px);
  }
  if (data_->num_unknown_sigmas > 0) {
    warn("sigma-not-known",
         fmt::format("{} stations do not say how well they are known; the uncertainty is that of "
                     "the others and of interpolating",
                     data_->num_unknown_sigmas),
         static_cast<double>(data_->num_unknown_sigmas));
  }
  if (state->focus_m && !data_->reach.nearest_m) {
    warn("focus-ignored",
         "the stations do not state their focus distance: the lens is taken as not depending on it",
         *state->focus_m);
  }
  return result;
}

const std::vector<StationLeftOut>& ZoomLens::left_out() const { return data_->left_out; }
const ZoomLens::Reach& ZoomLens::reach() const { return data_->reach; }
std::string_view ZoomLens::model() const { return data_->model.name; }
ImageSize ZoomLens::plate_size() const { return data_->frame.plate_size; }

}  // namespace trueplate::zoom
