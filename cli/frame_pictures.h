#pragma once

#include <cstddef>
#include <memory>
#include <mutex>
#include <string>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/footage/frame_set.h"
#include "cli/command.h"

namespace trueplate::cli {

/// The pictures that --draw asks for, one PNG a frame: named like the frame, those of a movie by
/// its name and the number, clip.mov#12 -> clip.0012.png.
class FramePictures {
 public:
  /// Names the pictures, makes the folder when absent, and refuses what could not be written. An
  /// empty name asks for no pictures.
  /// errors  kInvalidInput: two frames whose pictures would have one name, a picture that would
  ///         replace an input; kExists; kUnwritable.
  static Result<FramePictures> plan(const std::string& folder,
                                    const footage::FrameSet& frames,
                                    const CommonOptions& common);

  [[nodiscard]] bool wanted() const { return !pictures_.empty(); }
  /// The name of a frame of the set.
  [[nodiscard]] const std::string& frame(std::size_t index) const { return pictures_[index].frame; }

  /// Writes the picture (R, G, B; 0..1) of a frame; what goes wrong is kept for report_failures().
  /// Safe from any thread.
  void write(std::size_t index, Image<float> picture);

  /// Prints why pictures are missing, and returns how many are.
  int report_failures() const;

 private:
  struct Planned {
    std::string frame;
    std::string path;
  };
  FramePictures(std::vector<Planned> pictures, Overwrite overwrite);

  std::vector<Planned> pictures_;
  Overwrite overwrite_ = Overwrite::kRefuse;
  std::unique_ptr<std::mutex> mutex_;
  std::vector<std::string> failures_;
};

}  // namespace trueplate::cli
