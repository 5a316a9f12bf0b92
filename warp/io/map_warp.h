#pragma once

#include <memory>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "warp/io/channel_notes.h"
#include "warp/io/frame_in_rows.h"
#include "warp/io/pass_warp.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// Moves frames through one ST-map, each channel of each part by its rule
/// (warp/io/channel_rules.h). 0..1 of the map spans the display window of a frame, whatever its
/// size; the frame that comes out has the windows of the map's output. Warnings are added to the
/// frame: `other-shape` (value: the ratio of the aspects) where the frame's display window has not
/// the shape of the source that the map was made for. Safe to call from several threads at once.
class MapWarp {
 public:
  MapWarp(StMap map, const PassSettings& settings);
  ~MapWarp();
  MapWarp(MapWarp&&) noexcept;
  MapWarp& operator=(MapWarp&&) noexcept;

  /// Errors: those of warp_parts().
  [[nodiscard]] Result<FrameInRows> in_rows(footage::Frame frame, int threads) const;
  /// Of all frames so far, sorted by part and channel. Safe from any thread.
  [[nodiscard]] std::vector<TreatedChannel> treated_channels() const;

 private:
  struct Shared;
  std::unique_ptr<Shared> shared_;
};

}  // namespace trueplate::warp
