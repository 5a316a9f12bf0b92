#pragma once

#include <map>
#include <mutex>
#include <string>
#include <utility>
#include <vector>

#include "calib/footage/frame.h"
#include "warp/io/channel_rules.h"

namespace trueplate::warp {

/// How a channel of the frames seen so far was treated.
struct TreatedChannel {
  std::string part;  // empty where the part has no name
  std::string channel;
  ChannelTreatment treatment;
};

/// Gathers them over the frames of a sequence. Safe from any thread.
class ChannelNotes {
 public:
  void note(const footage::Part& part, const PartRules& rules) {
    const std::lock_guard lock(mutex_);
    for (std::size_t c = 0; c < rules.channels.size(); ++c) {
      treated_.try_emplace({part.name, part.channels[c].name}, rules.channels[c]);
    }
  }
  /// Sorted by part and channel.
  [[nodiscard]] std::vector<TreatedChannel> list() const {
    const std::lock_guard lock(mutex_);
    std::vector<TreatedChannel> list;
    for (const auto& [names, treatment] : treated_) {
      list.push_back({names.first, names.second, treatment});
    }
    return list;
  }

 private:
  mutable std::mutex mutex_;
  std::map<std::pair<std::string, std::string>, ChannelTreatment> treated_;
};

}  // namespace trueplate::warp
