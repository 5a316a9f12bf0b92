#pragma once

#include <memory>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "warp/io/channel_rules.h"
#include "warp/io/pass_warp.h"

namespace trueplate::warp::detail {

/// The filtered channels that share a map.
struct FilterGroup {
  std::shared_ptr<const StMap> map;
  std::vector<int> channels;
  /// Their pixels, kPacked channels at a time; empty where they are all channels of the part.
  std::vector<Image<float>> packed = {};
};

/// An alpha and the colours that go with it.
struct AlphaLayer {
  int alpha = 0;
  std::vector<int> colours;
};

/// One part on its way through the maps. Keeps the pixels of `part`. Safe from any thread.
class PartWarp {
 public:
  PartWarp(footage::Part part,
           const PictureMaps& maps,
           PartRules rules,
           const PassSettings& settings,
           int threads);

  /// A RowMaker. `output` may have less channels than the part: its first ones are then made.
  Result<void> rows(int first_row, ImageView<float> output, int threads) const;

 private:
  [[nodiscard]] Result<void> all_channels(int first_row,
                                          ImageView<float> output,
                                          int threads) const;
  /// What is no colour.
  [[nodiscard]] Result<void> look_up_data(const SourcePicture& source,
                                          const PassOptions& pass,
                                          ImageView<float> output) const;

  Image<float> pixels_;
  FrameWindows windows_;
  PictureMaps maps_;
  PassSettings settings_;
  std::vector<FilterGroup> groups_;
  std::vector<AlphaLayer> layers_;
  std::vector<int> numbers_;
  std::vector<std::vector<int>> surfaces_;
  std::vector<MotionChannels> motion_;
  bool is_multiplied_here_;
};

}  // namespace trueplate::warp::detail
