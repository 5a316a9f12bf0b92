#include <fmt/format.h>

#include <chrono>
#include <filesystem>
#include <memory>

#include "calib/base/csv.h"
#include "calib/base/interrupt.h"
#include "calib/base/text.h"
#include "calib/base/timestamp.h"
#include "calib/footage/observations.h"
#include "calib/profile/profile.h"
#include "charts/synth/demo.h"
#include "cli/commands/commands.h"
#include "cli/footage_options.h"
#include "cli/version.h"
#include "warp/io/frame_writer.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;

struct Options {
  std::string output;
  double scale = 1.0;
};

/// Writes the files of the scenario below one folder, and remembers what it wrote.
class DemoWriter {
 public:
  DemoWriter(fs::path folder, const CommonOptions& common)
      : folder_(std::move(folder)), common_(common) {}

  Result<void> picture(const fs::path& path, synth::DemoPicture picture) const {
    footage::Frame frame;
    const int num_channels = picture.image.channels();
    const std::vector<std::string> names = num_channels == 1
                                               ? std::vector<std::string>{"Y"}
                                               : std::vector<std::string>{"R", "G", "B", "A"};
    for (int c = 0; c < num_channels; ++c) {
      frame.channels.push_back({names[static_cast<std::size_t>(c)], footage::SampleFormat::kHalf});
    }
    if (num_channels == 4) frame.alpha = footage::Alpha::kAssociated;
    frame.pixels = std::move(picture.image);
    frame.windows = picture.windows;
    frame.pixel_aspect = picture.pixel_aspect;
    const auto written = warp::write_frame(folder_ / path,
                                           frame,
                                           {.compression = "zip",
                                            .overwrite = common_.overwrite_policy(),
                                            .threads = common_.threads});
    if (!written) return fail(written.error());
    return {};
  }

  Result<void> make_folder(const fs::path& path) const {
    std::error_code code;
    fs::create_directories(folder_ / path, code);
    if (!code) return {};
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: cannot be made ({})", (folder_ / path).string(), code.message()));
  }

  Result<void> markers(const fs::path& path,
                       const std::vector<synth::SetMarker>& markers,
                       ImageSize plate_size) const {
    constexpr std::array<std::string_view, 5> kColumns{
        "marker", "x", "y", "x_undistorted", "y_undistorted"};
    const std::vector<CsvComment> comments{
        {"image", fmt::format("{}x{}", plate_size.width, plate_size.height)},
        {"x and y", "on the plate, and in the straight picture"},
        {"program", fmt::format("trueplate {}", kVersion)}};
    CsvWriter csv(kColumns, comments);
    for (const synth::SetMarker& marker : markers) {
      csv.add_row(std::vector<std::string>{marker.name,
                                           to_lossless_text(marker.p_plate_px.x()),
                                           to_lossless_text(marker.p_plate_px.y()),
                                           to_lossless_text(marker.p_undistorted_px.x()),
                                           to_lossless_text(marker.p_undistorted_px.y())});
    }
    return write_text_file(folder_ / path, csv.text(), common_.overwrite_policy());
  }

  Result<void> tracks(const fs::path& path, const synth::DemoLens& lens) const {
    constexpr std::array<std::string_view, 4> kColumns{"track", "frame", "x", "y"};
    const ImageSize size = lens.lens.plate_size;
    const std::vector<CsvComment> comments{
        {"image", fmt::format("{}x{}", size.width, size.height)}};
    CsvWriter csv(kColumns, comments);
    for (const synth::DemoTrackPoint& point : synth::demo_tracks(lens)) {
      csv.add_row(std::vector<std::string>{point.track,
                                           std::to_string(point.frame),
                                           to_lossless_text(point.p_plate_px.x()),
                                           to_lossless_text(point.p_plate_px.y())});
    }
    return write_text_file(folder_ / path, csv.text(), common_.overwrite_policy());
  }

  Result<void> truth(const fs::path& path, const synth::DemoLens& lens) const {
    profile::Profile profile;
    profile.labels.lens = lens.label;
    profile.labels.notes = "the lens the pictures of this folder were made with";
    profile.stations.push_back({.nominal_focal_mm = lens.nominal_focal_mm,
                                .focus_m = lens.focus_m,
                                .t_stop = lens.t_stop,
                                .lens = lens.lens,
                                .uncertainty = std::nullopt,
                                .quality = std::nullopt,
                                .warnings = {}});
    profile.provenance = {.created = utc_timestamp(std::chrono::system_clock::now()),
                          .program = "trueplate",
                          .program_version = std::string(kVersion),
                          .method = "invented for the demo",
                          .footage = {}};
    return profile::write_profile(folder_ / path, profile, common_.overwrite_policy());
  }

  Result<void> corners(const fs::path& path, const footage::Observations& observations) const {
    return write_observations(folder_ / path, observations, common_);
  }

 private:
  fs::path folder_;
  const CommonOptions& common_;
};

Result<void> write_lens(const DemoWriter& writer,
                        const synth::Demo& demo,
                        const synth::DemoLens& lens,
                        const CommonOptions& common,
                        Progress& progress) {
  const fs::path folder = lens.name;
  if (Result<void> made = writer.make_folder(folder); !made) return made;
  if (Result<void> written = writer.truth(folder / "truth.json", lens); !written) return written;

  const ImageSize size = lens.lens.plate_size;
  const Window window{.x = 0, .y = 0, .width = size.width, .height = size.height};
  const int num_frames = static_cast<int>(lens.poses.size());
  footage::Observations corners;
  for (int i = 0; i < num_frames; ++i) {
    if (is_interrupted(&interrupt_flag())) return interruption();
    Result<synth::ChartFootage> chart = synth::render_demo_chart(demo, lens, i, common.threads);
    if (!chart) return fail(chart.error());
    const std::string name = fmt::format("chart.{:04}.exr", i + 1);
    chart->truth.frame = name;
    corners.views.push_back(std::move(chart->truth));
    if (Result<void> written = writer.picture(folder / name,
                                              {.name = name,
                                               .image = std::move(chart->luminance),
                                               .windows = {.display = window, .data = window},
                                               .pixel_aspect = lens.lens.pixel_aspect});
        !written) {
      return written;
    }
    progress.update(i + 1, num_frames, (folder / name).string());
  }
  if (Result<void> written = writer.corners(folder / "chart_truth.csv", corners); !written) {
    return written;
  }

  Result<synth::DemoShot> shot = synth::render_demo_shot(lens, common.threads, &interrupt_flag());
  if (!shot) return fail(shot.error());
  if (Result<void> written = writer.markers(folder / "markers.csv", shot->markers, size);
      !written) {
    return written;
  }
  if (Result<void> written = writer.tracks(folder / "tracks.csv", lens); !written) return written;
  const std::pair<const char*, synth::DemoPicture*> pictures[] = {
      {"plate.1001.exr", &shot->plate},
      {"cg.1001.exr", &shot->cg},
      {"cg_truth.1001.exr", &shot->cg_on_plate}};
  for (const auto& [name, picture] : pictures) {
    if (Result<void> written = writer.picture(folder / name, std::move(*picture)); !written) {
      return written;
    }
  }
  return {};
}

int run(const Options& options, const CommonOptions& common) {
  std::error_code code;
  if (!common.overwrite && fs::exists(options.output, code) &&
      !(fs::is_directory(options.output, code) && fs::is_empty(options.output, code))) {
    return report_failure(output_exists_error(options.output));
  }
  if (Result<void> free = check_outputs({}, {}, common); !free) {
    return report_failure(free.error());
  }
  const Result<synth::Demo> demo = synth::make_demo({.scale = options.scale});
  if (!demo) return report_usage(demo.error());
  const DemoWriter writer(options.output, common);
  if (Result<void> made = writer.make_folder(""); !made) return report_failure(made.error());

  nlohmann::json lenses = nlohmann::json::array();
  std::string text = fmt::format("{}: a {} of {}x{} inner corners, {} mm pitch\n",
                                 demo->title,
                                 target::chart_kind_name(demo->chart.kind),
                                 demo->chart.columns,
                                 demo->chart.rows,
                                 demo->chart.pitch_mm);
  {
    Progress progress(common, "demo");
    for (const synth::DemoLens& lens : demo->lenses) {
      if (Result<void> written = write_lens(writer, *demo, lens, common, progress); !written) {
        return report_failure(written.error());
      }
      const fs::path folder = fs::path(options.output) / lens.name;
      const lens::FilmBack film_back = lens.lens.film_back.value_or(lens::FilmBack{});
      lenses.push_back({{"name", lens.name},
                        {"label", lens.label},
                        {"folder", folder.string()},
                        {"film_back_mm", {film_back.width_mm, film_back.height_mm}},
                        {"squeeze", lens.lens.squeeze},
                        {"frames", lens.poses.size()}});
      text += fmt::format(
          "  {:<32} {} chart frames {}/chart.####.exr, plate, CG, tracks, truth; film back "
          "{}x{}mm{}\n",
          lens.label,
          lens.poses.size(),
          folder.string(),
          film_back.width_mm,
          film_back.height_mm,
          lens.lens.squeeze == 1.0 ? "" : fmt::format(", squeeze {}", lens.lens.squeeze));
    }
  }
  print(common, text);
  if (Result<void> written = write_json(common,
                                        {{"chart",
                                          {{"kind", target::chart_kind_name(demo->chart.kind)},
                                           {"columns", demo->chart.columns},
                                           {"rows", demo->chart.rows},
                                           {"pitch_mm", demo->chart.pitch_mm}}},
                                         {"lenses", lenses}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_demo(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("-o,--output", options->output, "folder; made when absent")
      ->required()
      ->type_name("FOLDER");
  app.add_option("--scale", options->scale, "size of the pictures relative to full size")
      ->check(finite_range(synth::kMinDemoScale, synth::kMaxDemoScale))
      ->capture_default_str()
      ->type_name("F");
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
