#pragma once

#include <optional>
#include <span>
#include <vector>

#include "calib/footage/frame.h"
#include "warp/io/channel_rules.h"

// Alpha for parts that have none of their own: the lights of a render in a part each, whose sum is
// the beauty of another part. What adds up to a picture has to be filtered like it.
namespace trueplate::warp::detail {

/// An alpha of another part of a frame.
struct LentAlpha {
  std::size_t part = 0;
  std::size_t channel = 0;
};

/// For each part of a frame, with the rules of its channels: the alpha its colours go with, of
/// another part of the same view: of those that have a plain A (no layer) the first in the file,
/// else the only alpha there is. nullopt for a part without filtered channels, one with an alpha of
/// its own, and where there is none to lend.
[[nodiscard]] std::vector<std::optional<LentAlpha>> lent_alphas(const footage::Frame& frame,
                                                                std::span<const PartRules> rules);

/// The pixels of a part with one more channel, the last: alpha of `lender`, pixel by pixel of the
/// display window; 0 where the lender has no pixels. threads   0 = all cores
[[nodiscard]] Image<float> with_lent_alpha(const footage::Part& part,
                                           const footage::Part& lender,
                                           std::size_t channel,
                                           int threads);

}  // namespace trueplate::warp::detail
