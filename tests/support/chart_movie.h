#pragma once

#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "tests/support/chart_render.h"

namespace trueplate::tests {

/// Whether FFmpeg's own program is here to make movies with; says "skipped" when it is not.
bool has_ffmpeg();

/// Pictures of a chart that moves, as a movie of 24 frames a second.
class ChartMovie {
 public:
  struct Shot {
    int num_frames = 24;
    ChartScene scene = {};
    std::function<ChartPose(int frame)> pose_at;
  };
  /// A checkerboard of 9x6 inner corners that moves 3 px to the right and 1 px down a frame.
  explicit ChartMovie(std::filesystem::path folder);
  /// Renders into `folder`, which keeps pictures and movies.
  ChartMovie(std::filesystem::path folder, const Shot& shot);

  /// Encodes the pictures with these arguments of ffmpeg, and returns the movie's path.
  std::string encode(const std::string& name, const std::vector<std::string>& arguments) const;
  /// Where the points are in each frame.
  [[nodiscard]] const std::vector<std::vector<Point2d>>& truth_px() const { return truth_px_; }

 private:
  std::filesystem::path folder_;
  std::vector<std::vector<Point2d>> truth_px_;
};

}  // namespace trueplate::tests
