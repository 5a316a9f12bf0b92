#include "warp/io/map_warp.h"

#include <fmt/format.h>

#include <cmath>
#include <utility>

namespace trueplate::warp {

struct MapWarp::Shared {
  StMap map;
  PassSettings settings;
  mutable ChannelNotes notes;
};

MapWarp::MapWarp(StMap map, const PassSettings& settings) : shared_(std::make_unique<Shared>()) {
  shared_->map = std::move(map);
  shared_->settings = settings;
}
MapWarp::~MapWarp() = default;
MapWarp::MapWarp(MapWarp&&) noexcept = default;
MapWarp& MapWarp::operator=(MapWarp&&) noexcept = default;

std::vector<TreatedChannel> MapWarp::treated_channels() const { return shared_->notes.list(); }

Result<footage::Frame> MapWarp::apply(footage::Frame frame, int threads) const {
  const auto aspect = [](const Window& window) {
    return static_cast<double>(window.width) / window.height;
  };
  const Window& source = shared_->map.source_display;
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
  }
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    footage::Part& part = frame.part(i);
    const Result<PartRules> rules = channel_rules(part, shared_->settings.requests);
    if (!rules) return fail(rules.error());
    shared_->notes.note(part, *rules);
    Result<void> warped =
        warp_part(part, {.main = &shared_->map}, *rules, shared_->settings, threads);
    if (!warped) return fail(warped.error());
  }
  return frame;
}

}  // namespace trueplate::warp
