#include "calib/zoom/detail/stations.h"

#include <fmt/format.h>

#include <algorithm>
#include <limits>
#include <optional>
#include <string_view>

namespace trueplate::zoom::detail {
namespace {

constexpr double kNotKnown = std::numeric_limits<double>::quiet_NaN();
/// Of nearness: more than rounding, less than any focus mark.
constexpr double kSameNearness = 1e-6;

bool same_plate(const lens::Lens& a, const lens::Lens& b) {
  const auto same_back = [&] {
    if (a.film_back.has_value() != b.film_back.has_value()) return false;
    return !a.film_back || (same_label(a.film_back->width_mm, b.film_back->width_mm) &&
                            same_label(a.film_back->height_mm, b.film_back->height_mm));
  };
  return a.plate_size == b.plate_size && same_label(a.pixel_aspect, b.pixel_aspect) &&
         same_label(a.squeeze, b.squeeze) && same_back();
}

Error wrong(std::size_t station, std::string_view complaint) {
  return {ErrorCode::kInvalidInput, fmt::format("station {}: {}", station + 1, complaint)};
}

Result<StationPlace> place_of(const profile::Station& station, std::size_t number) {
  const std::optional<double> focal = station_focal_mm(station);
  if (!focal || !std::isfinite(*focal) || *focal <= 0.0) {
    return fail(wrong(number, "has neither a nominal focal length nor a film back, wanted one"));
  }
  if (!station.focus_m) return StationPlace{*focal, kNotKnown};
  const std::optional<double> nearness = detail::nearness_of(*focal, *station.focus_m);
  if (nearness) return StationPlace{*focal, *nearness};
  return fail(
      wrong(number,
            fmt::format("is focused at {:g} m, wanted more than its focal length of {:g} mm",
                        *station.focus_m,
                        *focal)));
}

bool at_one_place(const StationPlace& a, const StationPlace& b) {
  if (!same_label(a.focal_mm, b.focal_mm)) return false;
  return std::isnan(a.nearness) || std::isnan(b.nearness) ||
         std::abs(a.nearness - b.nearness) <= kSameNearness;
}

}  // namespace

const lens::Lens* lens_of(const profile::Station& station, Colour colour) {
  if (colour == Colour::kGreen) return &station.lens;
  if (!station.channels) return nullptr;
  return colour == Colour::kRed ? &station.channels->red.lens : &station.channels->blue.lens;
}

Result<std::vector<StationPlace>> places_of(std::span<const profile::Station> stations,
                                            Colour colour) {
  if (stations.empty()) return fail(ErrorCode::kInvalidInput, "there are no stations");
  if (stations.size() > kMostStations) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("there are {} stations, wanted at most {}", stations.size(), kMostStations));
  }
  std::vector<StationPlace> places;
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const Result<StationPlace> place = place_of(stations[i], i);
    if (!place) return fail(place.error());
    places.push_back(*place);
    if (lens_of(stations[i], colour) == nullptr) {
      return fail(
          wrong(i, "has one lens for all colours, wanted one each for red, green and blue"));
    }
    if (const Result<void> valid = lens::validate(*lens_of(stations[i], colour)); !valid) {
      return fail(wrong(i, valid.error().message));
    }
    if (std::isnan(places[i].nearness) != std::isnan(places[0].nearness)) {
      return fail(wrong(i, "only some of the stations state their focus distance, wanted all"));
    }
    if (!same_plate(stations[i].lens, stations[0].lens)) {
      return fail(wrong(i,
                        "has another plate size, pixel aspect, squeeze or film back than station "
                        "1; stations are of one camera and recording mode"));
    }
  }
  return places;
}

Result<std::vector<std::vector<std::size_t>>> groups_of(std::span<const profile::Station> stations,
                                                        const std::vector<StationPlace>& places) {
  bool matters = false;
  for (std::size_t i = 0; i < places.size(); ++i) {
    for (std::size_t k = 0; k < i; ++k) {
      if (!at_one_place(places[i], places[k])) continue;
      const auto& a = stations[i].t_stop;
      const auto& b = stations[k].t_stop;
      if (!a || !b || same_label(*a, *b)) {
        return fail(wrong(i,
                          fmt::format("stands where station {} does: the same focal length and "
                                      "focus; leave one of them out",
                                      k + 1)));
      }
      matters = true;
    }
  }
  std::vector<std::size_t> order(places.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  if (!matters) return std::vector<std::vector<std::size_t>>{order};
  for (const std::size_t i : order) {
    if (!stations[i].t_stop || *stations[i].t_stop <= 0.0) {
      return fail(wrong(i, "does not state its T-stop, and others differ in it; wanted all"));
    }
  }
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return *stations[a].t_stop < *stations[b].t_stop;
  });
  std::vector<std::vector<std::size_t>> groups;
  for (const std::size_t i : order) {
    if (groups.empty() || !same_label(*stations[i].t_stop, *stations[groups.back()[0]].t_stop)) {
      groups.emplace_back();
    }
    groups.back().push_back(i);
  }
  return groups;
}

ZoomLens::Reach reach_of(std::span<const profile::Station> stations,
                         const std::vector<StationPlace>& places) {
  ZoomLens::Reach reach{.least_focal_mm = places[0].focal_mm,
                        .most_focal_mm = places[0].focal_mm,
                        .nearest_m = stations[0].focus_m,
                        .farthest_m = stations[0].focus_m,
                        .t_stops = {}};
  for (std::size_t i = 0; i < places.size(); ++i) {
    reach.least_focal_mm = std::min(reach.least_focal_mm, places[i].focal_mm);
    reach.most_focal_mm = std::max(reach.most_focal_mm, places[i].focal_mm);
    if (!stations[i].focus_m) continue;
    reach.nearest_m = std::min(*reach.nearest_m, *stations[i].focus_m);
    reach.farthest_m = std::max(*reach.farthest_m, *stations[i].focus_m);
  }
  return reach;
}

}  // namespace trueplate::zoom::detail
