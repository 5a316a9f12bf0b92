#pragma once

#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "calib/zoom/zoom_state.h"

namespace trueplate::zoom {

/// Whether a lens may be asked for beyond its stations.
enum class Beyond { kRefuse, kExtrapolate };

/// How far a lens may be off, one standard deviation: on the plate, in pixels, after the rotation
/// and common change of focal length that a camera solve absorbs (root mean square and largest over
/// the plate), and its focal length, as a share of it.
struct StateSigma {
  double rms_px = 0.0;
  double max_px = 0.0;
  double focal_share = 0.0;
};

/// By how much what the other stations say of a station differs from it, measured like StateSigma.
/// nullopt where the others do not surround it.
struct StationLeftOut {
  std::optional<StateSigma> station;       // without the station
  std::optional<StateSigma> focal_length;  // without all stations of its focal length
};

/// The lens at one state.
struct LensAtState {
  ZoomState state;
  lens::Lens lens;
  std::optional<double> entrance_pupil_mm;  // from the image plane, where all stations know it
  StateSigma sigma;
  /// How much each station counts, to first order, in the order given; they add up to one.
  std::vector<double> station_weights;
  /// How far the lens, whose model has to make do with what there is, misses the interpolated
  /// field.
  double refit_rms_px = 0.0;
  double refit_max_px = 0.0;
  /// `extrapolated` (value: sigma in px), `refit-misses` (value: the largest miss in px, above
  /// kRefitLimitPx), `sigma-not-known` (value: how many stations do not say how well they are
  /// known), `focus-ignored` (value: the focus asked for, m, where no station states one).
  std::vector<Warning> warnings;
};

/// A lens model that misses the interpolated field by more than this somewhere is warned of.
inline constexpr double kRefitLimitPx = 0.05;

/// No lens has more stations; each is told by all others, which takes time.
inline constexpr std::size_t kMostStations = 500;

/// The lens in one of the plate's colours, for profiles that were made by colour.
enum class Colour { kGreen, kRed, kBlue };

/// A lens with many stations: calibrations at several focal lengths, focus distances and, where
/// they differ, T-stops, and the lens between them.
///
/// What is interpolated is the field, the displacement in pixels of some hundred places of the
/// plate, and the pinhole by itself; never coefficients, so that stations of any models go
/// together. Along focus it runs over f / (s - f), in which the distortion and the focal length of
/// a thin lens change linearly (Magill 1955, Brown 1971; s from the image plane), along focal
/// length over its logarithm, along T-stop, linearly, over its logarithm. The curves never leave
/// the span of the two stations they are between. Where a focal length lacks a focus distance that
/// others have, the change with focus is taken from the others. Then the coefficients of the
/// stations' model are fitted to the field, the pinhole held.
///
/// The uncertainty is that of the stations, as they count, and that of interpolating, which grows
/// between stations and beyond them and is scaled by leaving out stations (docs/zoom.md).
class ZoomLens {
 public:
  /// errors  kInvalidInput, naming stations by number from 1: none, or above kMostStations; no
  /// nominal focal length and no
  ///         film back; a focus within the focal length, or stated by some only; two at one place;
  ///         plates of several sizes, pixel aspects, squeezes or film backs; no colours, where
  ///         asked for; kNotConverged: the stations have no common part of the plate with an
  ///         inverse
  static Result<ZoomLens> create(std::span<const profile::Station> stations,
                                 Colour colour = Colour::kGreen);

  ZoomLens(ZoomLens&&) noexcept;
  ZoomLens& operator=(ZoomLens&&) noexcept;
  ~ZoomLens();

  /// errors  kInvalidInput: focal length, focus or T-stop not given where stations differ in it;
  ///         beyond the stations with Beyond::kRefuse (the message says what they span);
  ///         kNotConverged: no coefficients of the model meet the field
  [[nodiscard]] Result<LensAtState> at(const ZoomState& state,
                                       Beyond beyond = Beyond::kRefuse) const;

  /// Of each station, in the order given.
  [[nodiscard]] const std::vector<StationLeftOut>& left_out() const;

  /// What the stations span.
  struct Reach {
    double least_focal_mm = 0.0;
    double most_focal_mm = 0.0;
    std::optional<double> nearest_m;   // nullopt: no focus is stated
    std::optional<double> farthest_m;  // infinity is legal
    std::vector<double> t_stops;       // those that differ, rising; empty: it does not matter
  };
  [[nodiscard]] const Reach& reach() const;
  [[nodiscard]] std::string_view model() const;
  [[nodiscard]] ImageSize plate_size() const;

 private:
  struct Data;
  explicit ZoomLens(std::unique_ptr<const Data> data);
  std::unique_ptr<const Data> data_;
};

/// The focal length a station stands at: the nominal one, else that of its pinhole (of an
/// anamorphic lens the vertical one, as on barrels); nullopt where there is neither.
[[nodiscard]] std::optional<double> station_focal_mm(const profile::Station& station);

}  // namespace trueplate::zoom
