#pragma once

#include <cstddef>
#include <memory>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "calib/lens/lens.h"
#include "warp/io/channel_notes.h"
#include "warp/io/frame_in_rows.h"
#include "warp/io/pass_warp.h"
#include "warp/overscan.h"
#include "warp/st_map.h"

namespace trueplate::warp {

struct LensWarpOptions {
  MapDirection direction = MapDirection::kUndistort;
  /// kUndistort: how far the straight picture reaches beyond the plate. kRedistort: by how much the
  /// input is larger than the plate, for formats that have no windows; kAuto takes the file's
  /// windows as they are.
  OverscanRequest overscan;
  int round_to = 1;  // the overscan of each edge is rounded up to a multiple of this
  PassSettings passes = {};
};

/// The lenses of the colours of one plate, of the same plate size.
struct LensPerColour {
  lens::Lens red;
  lens::Lens green;
  lens::Lens blue;
};

/// Straightens plates or bends straight pictures back, frame after frame, with one lens, or with
/// one for each colour: of the filtered channels R and B, and those of layers whose names end in .R
/// and .B, then go through the lens of red and of blue, all others (G, alpha, depth) through
/// green's. The overscan is what all three need.
///
/// The display window of a frame is the plate. When it is the calibrated frame in another size, the
/// lens is scaled to it (lens::for_picture_of). Each channel of each part is looked up by its rule
/// (warp/io/channel_rules.h). Parts, channels, sample formats and metadata pass through. kUndistort
/// yields the display window plus overscan as data window; kRedistort yields exactly the display
/// window. Frames of one size share one map in memory; those of the last kMostSizes sizes are kept.
/// Warnings are added to the frame:
/// `overscan-...` of warp/overscan.h, `lens-scaled`, `off-display`, and of a straight picture
/// `overscan-differs`, `overscan-or-resized` and `render-too-small`
/// (warp/io/detail/render_windows.h). Safe to call from several threads at once.
class LensWarp {
 public:
  LensWarp(lens::Lens lens, const LensWarpOptions& options);
  LensWarp(LensPerColour lenses, const LensWarpOptions& options);
  ~LensWarp();
  LensWarp(LensWarp&&) noexcept;
  LensWarp& operator=(LensWarp&&) noexcept;

  /// Errors: a frame of another shape than the plate, or an overscan that does not fit it (with
  /// those that would); with a lens for each colour a frame without R and B; those of overscan()
  /// and resample().
  [[nodiscard]] Result<footage::Frame> apply(footage::Frame frame, int threads) const;
  /// The same, with the pixels made when they are wanted.
  [[nodiscard]] Result<FrameInRows> in_rows(footage::Frame frame, int threads) const;
  /// Sizes of pictures whose maps are kept: of both eyes, or plates beside their reduced copies.
  static constexpr std::size_t kMostSizes = 3;

  /// What apply() makes, with kUndistort, of a plate of this size.
  struct StraightPicture {
    lens::Lens lens;  // at this size; the straight picture has its pinhole. Of colours green's
    EdgePixels overscan_px;
    std::vector<Warning> warnings;
  };
  /// Errors: another shape than the calibrated plate; those of overscan().
  [[nodiscard]] Result<StraightPicture> straight_picture(ImageSize plate) const;
  /// How often the maps of a picture had to be made so far: once for a sequence of one size.
  [[nodiscard]] std::size_t num_maps_made() const;
  /// Of all frames so far, sorted by part and channel. Safe from any thread.
  [[nodiscard]] std::vector<TreatedChannel> treated_channels() const;

 private:
  struct Shared;
  std::unique_ptr<Shared> shared_;
};

}  // namespace trueplate::warp
