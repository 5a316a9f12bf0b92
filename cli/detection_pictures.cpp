#include "cli/detection_pictures.h"

#include <utility>

#include "charts/draw/detection_picture.h"

namespace trueplate::cli {

void add_draw(CLI::App& app, std::string& folder) {
  app.add_option("--draw", folder, "write a picture of each frame with what was found, PNG")
      ->type_name("FOLDER");
}

Result<DetectionPictures> DetectionPictures::plan(const std::string& folder,
                                                  const footage::FrameSet& frames,
                                                  const CommonOptions& common) {
  Result<FramePictures> pictures = FramePictures::plan(folder, frames, common);
  if (!pictures) return fail(pictures.error());
  return DetectionPictures(*std::move(pictures));
}

void DetectionPictures::draw(const FrameSight& sight, const target::Chart& chart) {
  draw::DetectionScene scene{.name = pictures_.frame(sight.index), .chart = chart};
  if (sight.luma != nullptr) scene.luma = sight.luma->pixels.view();
  scene.detection = sight.detection;
  if (sight.error != nullptr) scene.reason = sight.error->message;
  pictures_.write(sight.index, draw::detection_picture(scene));
}

}  // namespace trueplate::cli
