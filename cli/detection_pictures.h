#pragma once

#include <string>
#include <utility>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/footage/frame_set.h"
#include "calib/target/chart.h"
#include "cli/command.h"
#include "cli/frame_pictures.h"

namespace trueplate::cli {

/// The option --draw.
void add_draw(CLI::App& app, std::string& folder);

/// The pictures of the charts that were found.
class DetectionPictures {
 public:
  /// See FramePictures::plan().
  static Result<DetectionPictures> plan(const std::string& folder,
                                        const footage::FrameSet& frames,
                                        const CommonOptions& common);

  [[nodiscard]] bool wanted() const { return pictures_.wanted(); }

  /// Draws and writes the picture of one frame. Safe from any thread.
  void draw(const FrameSight& sight, const target::Chart& chart);

  /// See FramePictures::report_failures().
  int report_failures() const { return pictures_.report_failures(); }

 private:
  explicit DetectionPictures(FramePictures pictures) : pictures_(std::move(pictures)) {}

  FramePictures pictures_;
};

}  // namespace trueplate::cli
