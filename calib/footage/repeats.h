#pragma once

#include <cstddef>
#include <map>
#include <mutex>
#include <optional>
#include <vector>

#include "calib/base/image.h"

namespace trueplate::footage {

/// A frame repeats the one before when the two differ, rms over the picture and as a share of its
/// contrast, by no more than kRepeatDifference (about one step of 8 bits: what encoding the same
/// picture twice leaves) and by no more than kRepeatShare of the largest difference between
/// neighbours at most kRepeatReach frames away: other frames of the shot do change. Frames with the
/// same pixels are repeats in any case.
inline constexpr double kRepeatDifference = 0.006;
inline constexpr double kRepeatShare = 0.15;
inline constexpr int kRepeatReach = 4;

/// Finds frames that show the same picture as the frame before them, as movies do that were brought
/// to another rate: 24 frames a second in 30.
///
/// Each frame is compared with its predecessor in the list, by kRepeatSamples pixels in a fixed
/// pattern; they are kept only until both neighbours have come. Safe from any thread.
inline constexpr int kRepeatSamples = 64 * 64;
class RepeatFinder {
 public:
  explicit RepeatFinder(std::size_t num_frames);

  /// Takes in frame `index`, one channel; in any order, each once. NaN pixels do not count.
  void add(std::size_t index, ImageView<const float> luma);
  /// Frame `index` has no picture.
  void skip(std::size_t index);

  /// For each frame the first one of the run it repeats; nullopt where the picture is new. Call it
  /// when all frames have come.
  [[nodiscard]] std::vector<std::optional<std::size_t>> repeats() const;

 private:
  struct Samples {
    ImageSize size;
    std::vector<float> levels;  // empty: no picture
  };
  void take(std::size_t index, Samples samples);
  static double difference(const Samples& before, const Samples& after);

  std::mutex mutex_;
  std::map<std::size_t, Samples> waiting_;  // for a neighbour
  std::vector<char> has_come_;
  std::vector<double> differences_;  // to the frame before; NaN: cannot be compared
};

}  // namespace trueplate::footage
