#include "calib/zoom/pool.h"

#include <fmt/format.h>

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <string_view>

#include "calib/base/chance.h"
#include "calib/zoom/detail/station_grid.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::zoom {
namespace {

using Eigen::Index;

struct Shared {
  std::string_view what;
  std::vector<std::string_view> parameters;
};

const std::array<Shared, 3>& shareable() {
  static const std::array<Shared, 3> all{
      Shared{"principal point", {"principal_x_px", "principal_y_px"}},
      Shared{"cylinder axis", {"phi"}},
      Shared{"sensor tilt", {"tau_x", "tau_y"}}};
  return all;
}

/// Where the parameters stand in a station's covariance; nullopt where one is not known.
std::optional<std::vector<Index>> places_in(const profile::Station& station, const Shared& shared) {
  if (!station.uncertainty) return std::nullopt;
  const std::vector<std::string>& names = station.uncertainty->parameters;
  const Eigen::MatrixXd& covariance = station.uncertainty->covariance;
  std::vector<Index> places;
  for (const std::string_view name : shared.parameters) {
    const auto found = std::find(names.begin(), names.end(), name);
    const auto place = static_cast<Index>(found - names.begin());
    if (found == names.end() || place >= covariance.rows() || place >= covariance.cols() ||
        covariance(place, place) <= 0.0) {
      return std::nullopt;
    }
    places.push_back(place);
  }
  return places;
}

Eigen::VectorXd parameters_of(const lens::Lens& lens) {
  const auto coefficients = lens::parameters(lens.model);
  Eigen::VectorXd all(4 + static_cast<Index>(coefficients.size()));
  all.head<4>() << lens.focal_px, lens.principal_point_px;
  for (std::size_t i = 0; i < coefficients.size(); ++i) {
    all[4 + static_cast<Index>(i)] = coefficients[i];
  }
  return all;
}

void change_parameters(lens::Lens& lens, const Eigen::VectorXd& change) {
  const Eigen::VectorXd all = parameters_of(lens) + change;
  lens.focal_px = all.head<2>();
  lens.principal_point_px = all.segment<2>(2);
  const Result<lens::Model> model = lens::make_model(
      lens::model_name(lens.model), {all.data() + 4, static_cast<std::size_t>(all.size() - 4)});
  if (model) lens.model = *model;
}

/// One station's estimate of what may be shared.
struct Estimate {
  profile::Station* station = nullptr;
  std::vector<Index> places;
  Eigen::VectorXd value;
  Eigen::MatrixXd covariance;
};

std::vector<Estimate> estimates_of(const std::vector<profile::Station*>& stations,
                                   const Shared& shared) {
  std::vector<Estimate> estimates;
  for (profile::Station* station : stations) {
    std::optional<std::vector<Index>> places = places_in(*station, shared);
    if (!places) continue;
    const Eigen::VectorXd all = parameters_of(station->lens);
    if (all.size() != station->uncertainty->covariance.rows()) continue;
    Estimate estimate{.station = station,
                      .places = *places,
                      .value = all(*places),
                      .covariance = station->uncertainty->covariance(*places, *places)};
    if (Eigen::LLT<Eigen::MatrixXd>(estimate.covariance).info() != Eigen::Success) continue;
    estimates.push_back(std::move(estimate));
  }
  return estimates;
}

struct Mean {
  Eigen::VectorXd value;
  Eigen::MatrixXd covariance;
};

Mean mean_of(const std::vector<Estimate>& estimates) {
  const Index size = estimates.front().value.size();
  Eigen::MatrixXd information = Eigen::MatrixXd::Zero(size, size);
  Eigen::VectorXd weighted = Eigen::VectorXd::Zero(size);
  for (const Estimate& estimate : estimates) {
    const Eigen::MatrixXd inverse =
        estimate.covariance.llt().solve(Eigen::MatrixXd::Identity(size, size));
    information += inverse;
    weighted += inverse * estimate.value;
  }
  const Eigen::LLT<Eigen::MatrixXd> solver(information);
  return {solver.solve(weighted), solver.solve(Eigen::MatrixXd::Identity(size, size))};
}

/// The station with the shared value, and what its other parameters then are.
void take_over(const Estimate& estimate, const Mean& mean) {
  Eigen::MatrixXd& covariance = estimate.station->uncertainty->covariance;
  const Eigen::MatrixXd with = covariance(Eigen::all, estimate.places);
  const Eigen::MatrixXd gain = estimate.covariance.llt().solve(with.transpose()).transpose();
  const Eigen::VectorXd change = gain * (mean.value - estimate.value);
  Eigen::MatrixXd left =
      covariance - gain * (estimate.covariance - mean.covariance) * gain.transpose();
  // Held parameters stay certain, and rounding does not make a covariance lopsided.
  left = 0.5 * (left + left.transpose()).eval();
  covariance = left;
  change_parameters(estimate.station->lens, change);
  if (!estimate.station->channels) return;
  // Red and blue were measured by what they differ from green, and keep that.
  change_parameters(estimate.station->channels->red.lens, change);
  change_parameters(estimate.station->channels->blue.lens, change);
}

std::optional<PoolTest> try_to_pool(const std::vector<profile::Station*>& stations,
                                    const Shared& shared,
                                    std::string over) {
  const std::vector<Estimate> estimates = estimates_of(stations, shared);
  if (estimates.size() < 2) return std::nullopt;
  const Mean mean = mean_of(estimates);
  PoolTest test;
  test.what = shared.what;
  test.over = std::move(over);
  test.num_stations = static_cast<int>(estimates.size());
  for (const Estimate& estimate : estimates) {
    const Eigen::VectorXd apart = estimate.value - mean.value;
    test.chi_square += apart.dot(estimate.covariance.llt().solve(apart));
  }
  test.degrees = (test.num_stations - 1) * static_cast<int>(mean.value.size());
  test.p_value = chi_square_tail(test.chi_square, test.degrees);
  test.pooled = test.p_value >= kLeastPoolChance;
  if (test.pooled) {
    for (const Estimate& estimate : estimates) take_over(estimate, mean);
  }
  return test;
}

/// The stations by focal length.
std::vector<std::vector<profile::Station*>> by_focal(std::vector<profile::Station>& stations) {
  std::vector<std::vector<profile::Station*>> groups;
  for (profile::Station& station : stations) {
    const double focal = station_focal_mm(station).value_or(0.0);
    const auto same = std::find_if(groups.begin(), groups.end(), [&](const auto& group) {
      const double other = station_focal_mm(*group.front()).value_or(0.0);
      return std::abs(focal - other) <= detail::StationGrid::kSameFocal * other;
    });
    if (same == groups.end()) {
      groups.push_back({&station});
    } else {
      same->push_back(&station);
    }
  }
  return groups;
}

}  // namespace

std::vector<PoolTest> pool(std::vector<profile::Station>& stations) {
  std::vector<PoolTest> tests;
  std::vector<profile::Station*> all;
  for (profile::Station& station : stations) all.push_back(&station);
  const std::vector<std::vector<profile::Station*>> groups = by_focal(stations);
  for (const Shared& shared : shareable()) {
    const std::optional<PoolTest> whole = try_to_pool(all, shared, "all stations");
    if (!whole) continue;
    tests.push_back(*whole);
    if (whole->pooled || groups.size() < 2) continue;
    for (const std::vector<profile::Station*>& group : groups) {
      const std::optional<PoolTest> test = try_to_pool(
          group, shared, fmt::format("{:g} mm", station_focal_mm(*group.front()).value_or(0.0)));
      if (test) tests.push_back(*test);
    }
  }
  return tests;
}

}  // namespace trueplate::zoom
