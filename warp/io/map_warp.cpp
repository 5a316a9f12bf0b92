#include "warp/io/map_warp.h"

#include <fmt/format.h>

#include <cmath>
#include <utility>

namespace trueplate::warp {

struct MapWarp::Shared {
  PictureMaps maps;
  PassSettings settings;
  mutable ChannelNotes notes;
};

MapWarp::MapWarp(StMap map, const PassSettings& settings) : shared_(std::make_unique<Shared>()) {
  shared_->maps.main = std::make_shared<const StMap>(std::move(map));
  shared_->settings = settings;
}
MapWarp::~MapWarp() = default;
MapWarp::MapWarp(MapWarp&&) noexcept = default;
MapWarp& MapWarp::operator=(MapWarp&&) noexcept = default;

std::vector<TreatedChannel> MapWarp::treated_channels() const { return shared_->notes.list(); }

Result<FrameInRows> MapWarp::in_rows(footage::Frame frame, int threads) const {
  const auto aspect = [](const Window& window) {
    return static_cast<double>(window.width) / window.height;
  };
  const Window& source = shared_->maps.main->source_display;
  const Window display = frame.windows.display;
  const double ratio = aspect(display) / aspect(source);
  // A copy of half or a third of the size may have lost a row.
  const double rounding = 2.0 / std::min(display.width, display.height);
  if (!(std::abs(ratio - 1.0) <= rounding)) {
    frame.warnings.push_back(
        {"other-shape",
         fmt::format("the map was made for pictures of {}x{}, this one is {}x{}: it is stretched",
                     source.width,
                     source.height,
                     display.width,
                     display.height),
         ratio});
  } else if (const double scale = static_cast<double>(display.width) / source.width;
             std::abs(scale - 1.0) > rounding) {
    frame.warnings.push_back(
        {"other-size",
         fmt::format(
             "the map was made for pictures of {}x{}, this one is {}x{}: what comes out has "
             "the map's size; `reformat` makes a map of another size",
             source.width,
             source.height,
             display.width,
             display.height),
         scale});
  }
  return warp_parts(std::move(frame), shared_->maps, shared_->settings, shared_->notes, threads);
}

}  // namespace trueplate::warp
