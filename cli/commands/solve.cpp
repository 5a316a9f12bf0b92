#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <filesystem>
#include <memory>

#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "calib/lens/film_back_aspect.h"
#include "calib/plate/placement.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"
#include "calib/plate/usd_text.h"
#include "cli/commands/commands.h"
#include "cli/document_date.h"
#include "cli/help/spelling.h"
#include "cli/plate_options.h"
#include "cli/profile_option.h"
#include "cli/report/solve_page.h"
#include "cli/report/write_report.h"
#include "cli/track_names.h"
#include "cli/trial_report.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string tracks;
  std::string lens;
  std::string columns;
  std::string size;
  std::string focal;
  std::string film_back;
  std::optional<double> focal_px;
  double pixel_aspect = 1.0;
  std::string keyframes;
  std::string output;
  std::string camera;
  std::string usd;
  std::string report;
  std::string camera_lens = "auto";
  double frame_rate = plate::kUsualFrameRate;
  std::string scale;
  std::string ground;
  std::string origin;
};

Error usage(std::string message) { return {ErrorCode::kInvalidInput, std::move(message)}; }

/// What follows from the options alone.
struct Given {
  std::optional<lens::FilmBack> film_back;
  std::optional<double> focal_mm;
};

Result<Given> given_by(const Options& options) {
  Given given;
  if (!options.film_back.empty()) {
    const Result<lens::FilmBack> film_back = parse_film_back(options.film_back);
    if (!film_back) return fail(film_back.error());
    given.film_back = *film_back;
  }
  if (!options.focal.empty()) {
    const Result<double> focal = parse_length_mm(options.focal);
    if (!focal) return fail(usage(fmt::format("--focal: {}", focal.error().message)));
    given.focal_mm = *focal;
    if (!given.film_back) {
      return fail(
          usage("--focal: a focal length in mm means nothing without the film back; add "
                "--film-back, such as --film-back 24.89x14mm, or give --focal-px"));
    }
  }
  if (options.focal_px && given.focal_mm) {
    return fail(usage("--focal and --focal-px are both given, wanted one"));
  }
  const bool places = !options.scale.empty() || !options.ground.empty() ||
                      !options.origin.empty() || options.camera_lens != "auto";
  if (places && options.camera.empty() && options.usd.empty()) {
    return fail(
        usage("--scale, --ground, --origin and --camera-lens are about the camera that is written; "
              "add --camera FILE or --usd FILE"));
  }
  if (options.camera_lens == "profile" && options.lens.empty()) {
    return fail(usage("--camera-lens profile: there is no profile; add --lens"));
  }
  if (!options.usd.empty()) {
    const std::string extension = std::filesystem::path(options.usd).extension().string();
    if (extension != ".usda" && extension != ".usd") {
      return fail(usage(
          fmt::format("--usd: '{}' would not be taken for USD; wanted a name that ends in .usda",
                      options.usd)));
    }
  }
  if (!options.lens.empty() && (options.focal_px || given.focal_mm)) {
    return fail(usage("--lens brings its focal length; leave out --focal and --focal-px"));
  }
  return given;
}

Result<std::array<int, 2>> keyframes_of(const std::string& text, const plate::Tracks& tracks) {
  const std::vector<std::string_view> parts = split(text, ',');
  std::array<int, 2> frames{};
  if (parts.size() != 2) {
    return fail(usage(fmt::format("--keyframes: '{}' is not A,B, such as 1001,1040", text)));
  }
  for (std::size_t i = 0; i < 2; ++i) {
    const std::optional<double> number = parse_number(parts[i]);
    const auto found = number ? std::find(tracks.frames.begin(), tracks.frames.end(), *number)
                              : tracks.frames.end();
    if (found == tracks.frames.end()) {
      return fail(
          usage(fmt::format("--keyframes: no track has a point in frame '{}'; the frames are "
                            "{} to {}",
                            parts[i],
                            tracks.frames.front(),
                            tracks.frames.back())));
    }
    frames[i] = static_cast<int>(found - tracks.frames.begin());
  }
  return frames;
}

Result<plate::PlacementOptions> placement_of(const Options& options, const plate::Tracks& tracks) {
  plate::PlacementOptions placement;
  if (!options.scale.empty()) {
    const std::size_t comma = options.scale.rfind(',');
    if (comma == std::string::npos) {
      return fail(usage(fmt::format("--scale: '{}' is not TRACK_A,TRACK_B,2.4m", options.scale)));
    }
    const Result<double> distance = parse_length_mm(options.scale.substr(comma + 1));
    if (!distance) return fail(usage(fmt::format("--scale: {}", distance.error().message)));
    const Result<std::vector<int>> pair = tracks_named(options.scale.substr(0, comma), 2, tracks);
    if (!pair) return fail(usage(fmt::format("--scale: {}", pair.error().message)));
    if ((*pair)[0] == (*pair)[1]) {
      return fail(usage("--scale: the two tracks are one, wanted two"));
    }
    placement.scale = {.track_a = (*pair)[0], .track_b = (*pair)[1], .distance_m = *distance / 1e3};
  }
  if (!options.ground.empty()) {
    const Result<std::vector<int>> three = tracks_named(options.ground, 3, tracks);
    if (!three) return fail(usage(fmt::format("--ground: {}", three.error().message)));
    if ((*three)[0] == (*three)[1] || (*three)[0] == (*three)[2] || (*three)[1] == (*three)[2]) {
      return fail(usage("--ground: a track is named twice, wanted three tracks"));
    }
    placement.ground = {(*three)[0], (*three)[1], (*three)[2]};
  }
  if (!options.origin.empty()) {
    const Result<std::vector<int>> one = tracks_named(options.origin, 1, tracks);
    if (!one) return fail(usage(fmt::format("--origin: {}", one.error().message)));
    placement.origin = one->front();
  }
  return placement;
}

Result<plate::TrialOptions> trial_options(const Options& options,
                                          const Given& given,
                                          const CommonOptions& common,
                                          const plate::Tracks& tracks) {
  plate::TrialOptions result;
  result.threads = common.threads;
  result.focal_ratio = options.pixel_aspect;
  result.focal_px = options.focal_px;
  if (given.focal_mm) {
    result.focal_px = *given.focal_mm * tracks.plate_size.width / given.film_back->width_mm;
  }
  if (!options.lens.empty()) {
    Result<profile::Profile> profile = read_single_profile(options.lens);
    if (!profile) return fail(profile.error());
    result.lens = profile->stations.front().lens;
  }
  if (!options.keyframes.empty()) {
    const Result<std::array<int, 2>> keyframes = keyframes_of(options.keyframes, tracks);
    if (!keyframes) return fail(keyframes.error());
    result.keyframes = *keyframes;
  }
  return result;
}

/// The solve whose camera is written.
Result<const plate::CameraSolve*> chosen_solve(const plate::Trial& trial, const std::string& word) {
  if (trial.solves.empty()) {
    return fail(ErrorCode::kUndetermined,
                fmt::format("there is no camera to write: {}", trial.findings.front().words));
  }
  if (word == "auto") {
    const bool by_tracks = trial.find(plate::LensUse::kProfile) == nullptr &&
                           trial.lens.determined &&
                           trial.findings.front().cause == plate::Cause::kLens;
    return by_tracks ? trial.find(plate::LensUse::kFree) : trial.as_given();
  }
  const plate::CameraSolve* solve = trial.find(word == "none"       ? plate::LensUse::kNone
                                               : word == "free"     ? plate::LensUse::kFree
                                               : word == "all-free" ? plate::LensUse::kAllFree
                                                                    : plate::LensUse::kProfile);
  if (solve != nullptr) return solve;
  return fail(ErrorCode::kUndetermined,
              "--camera-lens all-free: the tracks have nothing against the focal length given, so "
              "none was solved beside it; leave it out to solve for it");
}

/// Where the camera that is written is one that the verdict calls wrong.
std::optional<Warning> doubt_of(const plate::Trial& trial, const plate::CameraSolve& solve) {
  const auto is_wrong = [&solve](const plate::Finding& finding) {
    return finding.cause == plate::Cause::kWrongFocal ||
           finding.cause == plate::Cause::kPixelAspect ||
           (finding.cause == plate::Cause::kLens && solve.lens_use == plate::LensUse::kProfile);
  };
  const auto found = std::find_if(trial.findings.begin(), trial.findings.end(), is_wrong);
  if (found == trial.findings.end()) return std::nullopt;
  if (found->cause == plate::Cause::kPixelAspect) {
    return Warning{
        "camera-doubtful",
        "the camera written has a pixel aspect that the verdict calls wrong; solve again "
        "with the one it names",
        solve.used.rms_px};
  }
  if (solve.lens_use == plate::LensUse::kAllFree) return std::nullopt;
  const plate::CameraSolve* fitting = trial.find(plate::LensUse::kAllFree);
  const plate::CameraSolve& better =
      fitting != nullptr ? *fitting : *trial.find(plate::LensUse::kFree);
  return Warning{
      "camera-doubtful",
      fmt::format("the camera written is that of '{}', focal length {:.1f} px, which the "
                  "verdict calls wrong ({}); --camera-lens {} writes the one that the "
                  "tracks fit, {:.1f} px",
                  plate::name_of(solve.lens_use),
                  solve.lens.focal_px.x(),
                  plate::name_of(found->cause),
                  fitting != nullptr ? "all-free" : "free",
                  better.lens.focal_px.x()),
      solve.used.rms_px};
}

Result<void> write_cameras(const Options& options,
                           const CommonOptions& common,
                           const plate::Tracks& tracks,
                           const plate::PlacementOptions& placement,
                           const plate::Trial& trial) {
  if (options.camera.empty() && options.usd.empty()) return {};
  const Result<const plate::CameraSolve*> solve = chosen_solve(trial, options.camera_lens);
  if (!solve) return fail(solve.error());
  const std::string which = fmt::format("camera of '{}', focal length {:.1f} px",
                                        plate::name_of((*solve)->lens_use),
                                        (*solve)->lens.focal_px.x());
  const Result<plate::PlacedScene> scene = plate::placed(tracks, **solve, placement);
  if (!scene) return fail(scene.error());
  if (!options.camera.empty()) {
    nlohmann::json camera = camera_json(tracks, **solve, *scene);
    camera["warnings"] = warnings_json(trial.warnings);
    const std::string text =
        camera.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
    if (Result<void> written = write_text_file(options.camera, text, common.overwrite_policy());
        !written) {
      return written;
    }
    print(common, fmt::format("{} -> {}\n", which, options.camera));
  }
  if (options.usd.empty()) return {};
  Result<void> written =
      write_text_file(options.usd,
                      plate::usd_text(tracks, **solve, *scene, options.frame_rate),
                      common.overwrite_policy());
  if (written) print(common, fmt::format("{} -> {}\n", which, options.usd));
  return written;
}

Result<void> write_lens(const Options& options,
                        const CommonOptions& common,
                        const plate::Tracks& tracks,
                        const plate::Trial& trial) {
  if (options.output.empty()) return {};
  const Result<profile::Profile> profile = profile_of(tracks, trial, options.tracks);
  if (!profile) {
    return fail(profile.error().code,
                fmt::format("{}: {}", options.output, profile.error().message));
  }
  Result<void> written =
      profile::write_profile(options.output, *profile, common.overwrite_policy());
  if (written) print(common, fmt::format("lens from the tracks -> {}\n", options.output));
  return written;
}

Result<void> write_page(const Options& options,
                        const CommonOptions& common,
                        const plate::Tracks& tracks,
                        const plate::Trial& trial) {
  if (options.report.empty()) return {};
  const Result<std::string> date = document_date("");
  if (!date) return fail(date.error());
  return write_report_file(
      solve_page(tracks, trial, std::filesystem::path(options.tracks).filename().string(), *date),
      options.report,
      common);
}

Result<plate::Tracks> tracks_of(const Options& options) {
  constexpr std::array<std::string_view, 4> kNames{"track", "frame", "x", "y"};
  const Result<ColumnNames> columns = parse_column_names(options.columns, kNames);
  if (!columns) return fail(usage(fmt::format("--columns: {}", columns.error().message)));
  Result<plate::Tracks> tracks = plate::read_tracks(options.tracks, *columns);
  if (!tracks || options.size.empty()) return tracks;
  const Result<std::pair<int, int>> parsed = parse_size(options.size);
  if (!parsed) return fail(usage(fmt::format("--size: {}", parsed.error().message)));
  const ImageSize size{parsed->first, parsed->second};
  if (tracks->plate_size.width > 0 && tracks->plate_size != size) {
    return fail(
        usage(fmt::format("--size: {}x{} is not what {} says, # image: {}x{}; leave one out",
                          size.width,
                          size.height,
                          options.tracks,
                          tracks->plate_size.width,
                          tracks->plate_size.height)));
  }
  tracks->plate_size = size;
  return tracks;
}

int run(const Options& options, const CommonOptions& common) {
  const auto begin = std::chrono::steady_clock::now();
  const Result<Given> given = given_by(options);
  if (!given) return report_usage(given.error());
  if (Result<void> named = check_report_option(options.report); !named) {
    return report_usage(named.error());
  }
  if (Result<void> free =
          check_outputs({options.output, options.camera, options.usd, options.report},
                        {options.tracks, options.lens},
                        common);
      !free) {
    return report_failure(free.error());
  }
  const Result<plate::Tracks> tracks = tracks_of(options);
  if (!tracks) return report_failure(tracks.error());
  if (given->focal_mm && tracks->plate_size.width <= 0) {
    return report_failure(usage(fmt::format(
        "{}: does not say the plate's size; add a line '# image: WIDTHxHEIGHT' or --size",
        options.tracks)));
  }
  const Result<plate::PlacementOptions> placement = placement_of(options, *tracks);
  if (!placement) return report_failure(placement.error());
  const Result<plate::TrialOptions> settings = trial_options(options, *given, common, *tracks);
  if (!settings) return report_failure(settings.error());
  Result<plate::Trial> trial = plate::try_solve(*tracks, *settings);
  if (!trial) {
    return report_failure(
        {trial.error().code, fmt::format("{}: {}", options.tracks, trial.error().message)});
  }
  for (plate::CameraSolve& solve : trial->solves) {
    if (solve.lens_use == plate::LensUse::kProfile) continue;
    solve.lens.film_back = given->film_back;
    solve.lens.pixel_aspect = options.pixel_aspect;
  }

  if (given->film_back) {
    const std::optional<Warning> aspect =
        lens::film_back_aspect(*given->film_back, trial->plate_size, options.pixel_aspect, 1.0);
    if (aspect) trial->warnings.push_back(*aspect);
  }

  if (!options.camera.empty() || !options.usd.empty()) {
    const Result<const plate::CameraSolve*> solve = chosen_solve(*trial, options.camera_lens);
    const std::optional<Warning> doubt = solve ? doubt_of(*trial, **solve) : std::nullopt;
    if (doubt) trial->warnings.push_back(*doubt);
  }

  print(common, trial_text(*tracks, *trial));
  report_warnings(trial->warnings, common);
  nlohmann::json result = trial_json(*tracks, *trial);
  result["warnings"] = warnings_json(trial->warnings);
  result["seconds"] =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  if (Result<void> written = write_json(common, result); !written) {
    return report_failure(written.error());
  }
  // What one of them lacks does not keep the others from being written.
  int status = kDone;
  for (const Result<void>& written : {write_cameras(options, common, *tracks, *placement, *trial),
                                      write_page(options, common, *tracks, *trial),
                                      write_lens(options, common, *tracks, *trial)}) {
    if (!written) status = report_failure(written.error());
  }
  return status;
}

/// Turns `30000/1001` into the number that it is.
CLI::Validator ratio_as_number() {
  return CLI::Validator(
      [](std::string& text) {
        const std::size_t slash = text.find('/');
        if (slash == std::string::npos) return std::string();
        const std::optional<double> over = parse_number(std::string_view(text).substr(0, slash));
        const std::optional<double> under = parse_number(std::string_view(text).substr(slash + 1));
        if (!over || !under || *under == 0.0) {
          return fmt::format("'{}' is not a number and not a ratio of two", text);
        }
        text = to_lossless_text(*over / *under);
        return std::string();
      },
      "");
}

}  // namespace

Action add_solve(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("TRACKS", options->tracks, "a CSV file with columns track, frame, x, y")
      ->required()
      ->type_name("");
  app.add_option("--lens", options->lens, "the lens profile to try beside no lens")
      ->type_name("PROFILE");
  app.add_option("--columns",
                 options->columns,
                 "how the file calls its columns track, frame, x, y, such as track=name,x=u,y=v")
      ->type_name("NAME=COLUMN,...");
  app.add_option("--size", options->size, "the plate's size, where the tracks do not say it")
      ->type_name("WxH");
  app.add_option("--focal", options->focal, "focal length, such as 35mm; needs --film-back")
      ->type_name("LENGTH");
  app.add_option("--film-back", options->film_back, "sensor area of the frame, such as 24.89x14mm")
      ->type_name("WxH");
  app.add_option("--focal-px", options->focal_px, "focal length in pixels along x")
      ->check(finite_range(1.0, 1e7))
      ->type_name("F");
  app.add_option("--pixel-aspect",
                 options->pixel_aspect,
                 "width over height of a pixel as shown, squeeze included")
      ->check(finite_range(0.05, 20.0))
      ->type_name("F");
  app.add_option("--keyframes", options->keyframes, "the two frames to start with")
      ->type_name("A,B");
  app.add_option("-o,--output", options->output, "the lens from the tracks, as a profile")
      ->type_name("FILE");
  app.add_option("--camera", options->camera, "camera and points as JSON")->type_name("FILE");
  app.add_option("--usd", options->usd, "camera and points as a USD text file (.usda)")
      ->type_name("FILE");
  one_of(app.add_option("--camera-lens", options->camera_lens, "whose camera is written"),
         {"auto", "none", "profile", "free", "all-free"})
      ->capture_default_str();
  app.add_option("--frame-rate",
                 options->frame_rate,
                 "frames a second, for the USD file; a ratio such as 30000/1001 is fine")
      ->transform(ratio_as_number())
      ->check(finite_range(0.01, 10'000.0))
      ->capture_default_str()
      ->type_name("FPS");
  app.add_option("--scale", options->scale, "two tracks and their distance, such as a,b,2.4m")
      ->type_name("TRACK_A,TRACK_B,LENGTH");
  app.add_option("--ground", options->ground, "three tracks on the floor")->type_name("A,B,C");
  app.add_option("--origin", options->origin, "the track at the origin")->type_name("TRACK");
  add_report_option(app, options->report);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
