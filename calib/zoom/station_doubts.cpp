#include "calib/zoom/station_doubts.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string_view>
#include <utility>

#include "calib/profile/focal_label.h"
#include "calib/zoom/detail/stations.h"
#include "calib/zoom/zoom_lens.h"
#include "calib/zoom/zoom_profile.h"

namespace trueplate::zoom {
namespace {

constexpr std::string_view kLabelFar = "focal-label-far";
constexpr std::string_view kLeftOutFar = "left-out-far";

double sigma_px(const profile::Station& station) {
  return station.quality ? station.quality->map_sigma_rms_px.value_or(0.0) : 0.0;
}

/// Whether a number has all others on one side.
class Outermost {
 public:
  explicit Outermost(double value) : value_(value) {}
  void beside(double other) {
    if (detail::same_label(other, value_)) return;
    (other < value_ ? below_ : above_) = true;
  }
  [[nodiscard]] bool is() const { return !(below_ && above_); }

 private:
  double value_;
  bool below_ = false;
  bool above_ = false;
};

bool is_corner(std::span<const profile::Station> stations, const profile::Station& station) {
  const double focal_mm = station_focal_mm(station).value_or(0.0);
  Outermost focal(focal_mm);
  // By the reciprocal, infinity has a place like any other.
  Outermost focus(1.0 / station.focus_m.value_or(1.0));
  for (const profile::Station& other : stations) {
    const double other_mm = station_focal_mm(other).value_or(0.0);
    focal.beside(other_mm);
    if (detail::same_label(other_mm, focal_mm)) focus.beside(1.0 / other.focus_m.value_or(1.0));
  }
  return focal.is() && focus.is();
}

std::optional<Warning> left_out_far(std::span<const profile::Station> stations,
                                    std::size_t station) {
  const std::optional<profile::LeftOut>& missed = stations[station].without_station;
  if (!missed) return std::nullopt;
  double of_others = 0.0;
  for (std::size_t i = 0; i < stations.size(); ++i) {
    if (i != station) of_others = std::max(of_others, sigma_px(stations[i]));
  }
  const double explained = std::hypot(sigma_px(stations[station]), of_others);
  const double limit_px =
      is_corner(stations, stations[station]) ? kCornerLeftOutFarPx : kLeftOutFarPx;
  if (!(missed->rms_px > limit_px && missed->rms_px > kLeftOutFarSigmas * explained)) {
    return std::nullopt;
  }
  return Warning{std::string(kLeftOutFar),
                 fmt::format("the other stations miss this one by {:.2f} px rms, and the "
                             "uncertainties explain {:.3f} px: it or one beside it is of another "
                             "state or mode (labels exchanged, zoom or focus moved), or they are "
                             "too far apart",
                             missed->rms_px,
                             explained),
                 missed->rms_px};
}

}  // namespace

std::vector<Warning> doubts(std::span<const profile::Station> stations, std::size_t station) {
  std::vector<Warning> found;
  if (auto far = profile::focal_label_far(stations[station])) found.push_back(*std::move(far));
  if (auto far = left_out_far(stations, station)) found.push_back(*std::move(far));
  return found;
}

std::vector<Warning> named_doubts(std::span<const profile::Station> stations, std::size_t station) {
  const profile::Station& one = stations[station];
  const std::string state =
      state_text({.focal_mm = station_focal_mm(one), .focus_m = one.focus_m, .t_stop = one.t_stop});
  std::vector<Warning> found = doubts(stations, station);
  for (Warning& doubt : found) {
    doubt.message = fmt::format("station {}: {}", state, doubt.message);
  }
  return found;
}

std::vector<Warning> note_doubts(std::span<profile::Station> stations) {
  std::vector<Warning> all;
  for (std::size_t i = 0; i < stations.size(); ++i) {
    std::vector<Warning>& kept = stations[i].warnings;
    std::erase_if(kept, [](const Warning& warning) {
      return warning.code == kLabelFar || warning.code == kLeftOutFar;
    });
    for (Warning& doubt : doubts(stations, i)) kept.push_back(std::move(doubt));
    for (Warning& doubt : named_doubts(stations, i)) all.push_back(std::move(doubt));
  }
  return all;
}

}  // namespace trueplate::zoom
