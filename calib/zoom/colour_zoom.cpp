#include "calib/zoom/colour_zoom.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace trueplate::zoom {
namespace {

using Side = profile::ColourLens profile::Channels::*;

/// Places across the plate and down at which colours are compared.
constexpr int kColumns = 33;
constexpr int kRows = 19;
/// What counts for less says nothing of a state.
constexpr double kCounts = 1e-3;

bool all_by_colour(std::span<const profile::Station> stations) {
  return !stations.empty() &&
         std::all_of(stations.begin(), stations.end(), [](const profile::Station& station) {
           return station.channels.has_value();
         });
}

/// Where `colour` images the rays that green has at places all over the plate.
void measure(const lens::Lens& green, const lens::Lens& colour, profile::ColourShift& shift) {
  double sum = 0.0;
  int count = 0;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i) {
      const Point2d place(green.plate_size.width * i / (kColumns - 1.0),
                          green.plate_size.height * j / (kRows - 1.0));
      const std::optional<Point2d> straight = lens::undistort_px(green, place);
      if (!straight) continue;
      const Point2d ray = lens::ideal_from_px(green, *straight);
      const std::optional<Point2d> image = lens::distort(colour.model, ray);
      if (!image) continue;
      const double apart = (lens::px_from_ideal(colour, *image) - place).norm();
      sum += apart * apart;
      ++count;
      if (apart <= shift.max_px) continue;
      shift.max_px = apart;
      shift.max_at_px = place;
    }
  }
  shift.rms_px = std::sqrt(sum / std::max(1, count));
}

/// One colour between the stations; nullopt where their uncertainties do not go together.
std::optional<profile::ColourLens> colour_at(std::span<const profile::Station> stations,
                                             const LensAtState& green,
                                             const LensAtState& colour,
                                             Side side) {
  if (green.lens.model.index() != colour.lens.model.index()) return std::nullopt;
  profile::ColourLens result;
  result.lens = colour.lens;
  result.uncertainty = (*stations.front().channels.*side).uncertainty;
  result.uncertainty.covariance.setZero();
  measure(green.lens, colour.lens, result.shift);
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const profile::ColourLens& own = *stations[i].channels.*side;
    const double counts = std::abs(colour.station_weights[i]);
    if (own.lens.model.index() != colour.lens.model.index() ||
        own.uncertainty.parameters != result.uncertainty.parameters) {
      return std::nullopt;
    }
    result.uncertainty.covariance += counts * counts * own.uncertainty.covariance;
    result.shift.rms_sigma_px = std::hypot(result.shift.rms_sigma_px,  //
                                           counts * own.shift.rms_sigma_px);
    result.shift.max_sigma_px = std::hypot(result.shift.max_sigma_px,  //
                                           counts * own.shift.max_sigma_px);
    if (counts <= kCounts) continue;
    result.shift.p_value = std::min(result.shift.p_value, own.shift.p_value);
    result.shift.significant = result.shift.significant || own.shift.significant;
  }
  return result;
}

}  // namespace

Result<ColourZoom> ColourZoom::create(std::span<const profile::Station> stations, Colours colours) {
  Result<ZoomLens> green = ZoomLens::create(stations);
  if (!green) return fail(green.error());
  ColourZoom result(*std::move(green));
  if (colours == Colours::kGreenOnly || !all_by_colour(stations)) return result;
  for (const auto& [colour, place] : {std::pair{Colour::kRed, &result.red_},  //
                                      std::pair{Colour::kBlue, &result.blue_}}) {
    Result<ZoomLens> lens = ZoomLens::create(stations, colour);
    if (!lens) return fail(lens.error());
    place->emplace(*std::move(lens));
  }
  return result;
}

Result<ColourZoom::AtState> ColourZoom::at(const ZoomState& state, Beyond beyond) const {
  Result<LensAtState> green = green_.at(state, beyond);
  if (!green) return fail(green.error());
  AtState result{.green = *std::move(green), .red = std::nullopt, .blue = std::nullopt};
  if (!has_colours()) return result;
  Result<LensAtState> red = red_->at(state, beyond);
  if (!red) return fail(red.error());
  Result<LensAtState> blue = blue_->at(state, beyond);
  if (!blue) return fail(blue.error());
  result.red = *std::move(red);
  result.blue = *std::move(blue);
  return result;
}

std::optional<profile::Channels> channels_at(std::span<const profile::Station> stations,
                                             const ColourZoom::AtState& at) {
  if (!at.red || !at.blue || !all_by_colour(stations)) return std::nullopt;
  std::optional<profile::ColourLens> red =
      colour_at(stations, at.green, *at.red, &profile::Channels::red);
  std::optional<profile::ColourLens> blue =
      colour_at(stations, at.green, *at.blue, &profile::Channels::blue);
  if (!red || !blue) return std::nullopt;
  return profile::Channels{.red = *std::move(red), .blue = *std::move(blue)};
}

}  // namespace trueplate::zoom
