#pragma once

#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/footage/frame_set.h"
#include "calib/target/chart.h"
#include "cli/command.h"

namespace trueplate::cli {

/// The option --draw.
void add_draw(CLI::App& app, std::string& folder);

/// The pictures of what was found that --draw asks for, one PNG a frame: named like the frame,
/// those of a movie by its name and the number, clip.mov#12 -> clip.0012.png.
class DetectionPictures {
 public:
  /// Names the pictures, makes the folder when absent, and refuses what could not be written. An
  /// empty name asks for no pictures.
  /// errors  kInvalidInput: two frames whose pictures would have one name, a picture that would
  ///         replace an input; kExists; kUnwritable.
  static Result<DetectionPictures> plan(const std::string& folder,
                                        const footage::FrameSet& frames,
                                        const CommonOptions& common);

  [[nodiscard]] bool wanted() const { return !pictures_.empty(); }

  /// Draws and writes the picture of one frame; what goes wrong is kept for report_failures().
  /// Safe from any thread.
  void draw(const FrameSight& sight, const target::Chart& chart);

  /// Prints why pictures are missing, and returns how many are.
  int report_failures() const;

 private:
  struct Planned {
    std::string frame;
    std::string path;
  };
  DetectionPictures(std::vector<Planned> pictures, Overwrite overwrite);

  std::vector<Planned> pictures_;
  Overwrite overwrite_ = Overwrite::kRefuse;
  std::unique_ptr<std::mutex> mutex_;
  std::vector<std::string> failures_;
};

}  // namespace trueplate::cli
