#pragma once

#include <optional>
#include <span>

#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::zoom {

/// Whether the lenses of red and blue are interpolated, too.
enum class Colours {
  kGreenOnly,
  kWhereAll,  // where every station was fitted by colour
};

/// A lens with many stations, in each of the plate's colours that its stations were fitted in.
///
/// Red and blue are interpolated as green is, each field by itself. What they differ from green, a
/// few tenths of a pixel, is interpolated by the same curves and so keeps its sign and size: the
/// error that interpolation makes is common to all three (docs/zoom.md has what was measured).
class ColourZoom {
 public:
  /// errors  those of ZoomLens::create()
  static Result<ColourZoom> create(std::span<const profile::Station> stations, Colours colours);

  [[nodiscard]] const ZoomLens& green() const { return green_; }
  [[nodiscard]] bool has_colours() const { return red_.has_value(); }

  struct AtState {
    LensAtState green;
    std::optional<LensAtState> red;  // both or none
    std::optional<LensAtState> blue;
  };
  /// errors  those of ZoomLens::at()
  [[nodiscard]] Result<AtState> at(const ZoomState& state, Beyond beyond = Beyond::kRefuse) const;

 private:
  explicit ColourZoom(ZoomLens green) : green_(std::move(green)) {}

  ZoomLens green_;
  std::optional<ZoomLens> red_;
  std::optional<ZoomLens> blue_;
};

/// The lenses of red and blue as a station keeps them, between stations.
///
/// What is said of their uncertainty is what the stations', as much as each counts, come to, not
/// what interpolating adds; `num_points` and `rms_px` are 0, since nothing was measured there.
/// `significant`, with the least p-value, is what any station says that counts for more than a
/// thousandth. nullopt where `at` has none, or where the stations have several models, whose
/// coefficients have no common uncertainty.
[[nodiscard]] std::optional<profile::Channels> channels_at(
    std::span<const profile::Station> stations, const ColourZoom::AtState& at);

}  // namespace trueplate::zoom
