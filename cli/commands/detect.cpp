#include <fmt/format.h>

#include <memory>

#include "calib/footage/observations.h"
#include "cli/commands/commands.h"
#include "cli/detection_pictures.h"
#include "cli/footage_options.h"

namespace trueplate::cli {
namespace {

struct Options {
  FrameArguments frames;
  ChartOptions chart;
  std::string output;
  std::string draw;  // folder; empty: no pictures
};

nlohmann::json frame_json(const DetectedFrame& frame, ImageSize plate_size) {
  return {{"name", frame.name},
          {"points", frame.corners.size()},
          {"reason", frame.error ? frame.error->message : other_size_reason(frame, plate_size)},
          {"repeats", frame.repeats.empty() ? nlohmann::json() : nlohmann::json(frame.repeats)},
          {"field_motion_px",
           frame.field_motion_px ? nlohmann::json(*frame.field_motion_px) : nlohmann::json()}};
}

int run(const Options& options, const CommonOptions& common) {
  const Result<target::Chart> chart = chart_of(options.chart);
  if (!chart) return report_chart(chart.error());
  const Result<footage::FrameSet> frames =
      footage::resolve_frames(options.frames.arguments, options.frames.range);
  if (!frames) return report_frames(frames.error());
  if (Result<void> free = check_outputs({options.output}, paths_of(*frames), common); !free) {
    return report_failure(free.error());
  }
  Result<DetectionPictures> pictures = DetectionPictures::plan(options.draw, *frames, common);
  if (!pictures) return report_failure(pictures.error());
  const Result<std::vector<DetectedFrame>> detected =
      detect(*frames, {.chart = *chart}, *pictures, common);
  if (!detected) return report_failure(detected.error());
  const int num_pictures_missing = pictures->report_failures();
  const Result<footage::Observations> observations = observations_of(*detected, *chart);
  if (!observations) return report_failure(observations.error());
  const ImageSize plate_size = common_plate_size(*detected);
  report_other_sizes(*detected, plate_size);
  if (Result<void> written = write_observations(options.output, *observations, common); !written) {
    return report_failure(written.error());
  }

  std::size_t num_points = 0;
  std::size_t num_repeats = 0;
  nlohmann::json frames_json = nlohmann::json::array();
  for (const target::View& view : observations->views) num_points += view.corners.size();
  for (const DetectedFrame& frame : *detected) {
    if (!frame.corners.empty() && !frame.repeats.empty()) ++num_repeats;
    frames_json.push_back(frame_json(frame, plate_size));
  }
  print(common,
        fmt::format("{} corners in {} of {} frames{} -> {}\n",
                    num_points,
                    observations->views.size(),
                    detected->size(),
                    num_repeats > 0 ? fmt::format(", {} repeat others", num_repeats) : "",
                    options.output));
  if (Result<void> written = write_json(common, {{"points", num_points}, {"frames", frames_json}});
      !written) {
    return report_failure(written.error());
  }
  const bool is_whole =
      observations->views.size() + num_repeats == detected->size() && num_pictures_missing == 0;
  return is_whole ? kDone : kPartly;
}

}  // namespace

Action add_detect(CLI::App& app) {
  auto options = std::make_shared<Options>();
  add_frames(app, options->frames, "chart frames: files, folders, globs or patterns");
  add_chart(app, options->chart);
  add_draw(app, options->draw);
  app.add_option("-o,--output", options->output, "the observations, a CSV file")
      ->required()
      ->type_name("FILE");
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
