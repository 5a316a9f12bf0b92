#include <fmt/format.h>

#include <array>
#include <memory>
#include <string>

#include "calib/base/text.h"
#include "cli/commands/commands.h"
#include "cli/help/spelling.h"
#include "cli/map_options.h"
#include "cli/plate_options.h"
#include "cli/version.h"
#include "warp/map_reformat.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string map;
  std::string output;
  std::string size;
  std::string crop;
  std::string output_origin;
  std::string compression = "zip";
  MapArguments arguments;
};

/// X,Y,WxH
Result<Window> parse_crop(const std::string& text) {
  const std::vector<std::string_view> parts = split(text, ',');
  if (parts.size() == 3) {
    const std::optional<int> x = parse_int(parts[0]);
    const std::optional<int> y = parse_int(parts[1]);
    const Result<std::pair<int, int>> size = parse_size(parts[2]);
    if (x && y && size) return Window{*x, *y, size->first, size->second};
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("--crop: '{}', wanted the left top pixel and the size, X,Y,WxH", text));
}

Result<warp::Reformat> reformat_of(const Options& options, warp::TOrigin of_map) {
  warp::Reformat reformat;
  reformat.t_origin = of_map;
  if (!options.output_origin.empty()) {
    const Result<warp::TOrigin> origin = parse_origin(options.output_origin);
    if (!origin) return fail(origin.error());
    reformat.t_origin = *origin;
  }
  if (!options.size.empty()) {
    const Result<std::pair<int, int>> size = parse_size(options.size);
    if (!size) return fail(ErrorCode::kInvalidInput, "--size: " + size.error().message);
    reformat.size = ImageSize{size->first, size->second};
  }
  if (!options.crop.empty()) {
    const Result<Window> crop = parse_crop(options.crop);
    if (!crop) return fail(crop.error());
    reformat.crop = *crop;
  }
  return reformat;
}

int run(const Options& options, const CommonOptions& common) {
  const Result<warp::StMapAssumptions> assumptions = map_assumptions(options.arguments);
  if (!assumptions) return report_usage(assumptions.error());
  if (const Result<warp::Reformat> words = reformat_of(options, warp::TOrigin::kBottomLeft);
      !words) {
    return report_usage(words.error());
  }
  if (Result<void> free = check_outputs({options.output}, {options.map}, common); !free) {
    return report_failure(free.error());
  }
  if (Result<void> writable = warp::check_writable_st_map(options.output, options.compression);
      !writable) {
    return report_usage(writable.error());
  }
  const Result<warp::StMapFile> file = warp::read_st_map(options.map, *assumptions, common.threads);
  if (!file) return report_failure(file.error());
  const Result<warp::Reformat> reformat = reformat_of(options, file->map.t_origin);
  if (!reformat) return report_usage(reformat.error());
  const Result<warp::MadeMap> made = warp::reformat_map(file->map, *reformat, common.threads);
  if (!made) {
    return report_failure(
        {made.error().code, fmt::format("{}: {}", options.map, made.error().message)});
  }
  std::vector<Warning> warnings = file->warnings;
  warnings.insert(warnings.end(), made->warnings.begin(), made->warnings.end());
  const warp::StMapWriteOptions write{.compression = options.compression,
                                      .overwrite = common.overwrite_policy(),
                                      .lens_text = file->lens_text,
                                      .pixel_aspect = file->pixel_aspect,
                                      .lens = {.program = fmt::format("trueplate {}", kVersion)},
                                      .threads = common.threads};
  if (Result<void> written = warp::write_st_map(options.output, made->map, write); !written) {
    return report_failure(written.error());
  }
  const Window& display = made->map.output.display;
  const Window& data = made->map.output.data;
  print(common,
        fmt::format("{}x{} around a {}x{} display window, t from the {} -> {}\n",
                    data.width,
                    data.height,
                    display.width,
                    display.height,
                    made->map.t_origin == warp::TOrigin::kBottomLeft ? "bottom" : "top",
                    options.output));
  report_warnings(warnings, common);
  nlohmann::json json = map_json(options.output, made->map);
  json["warnings"] = warnings_json(warnings);
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_reformat(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("MAP", options->map, "an ST-map, this program's or another's")
      ->required()
      ->type_name("");
  app.add_option("-o,--output", options->output, "the map for the other format")
      ->required()
      ->type_name("FILE");
  app.add_option("--size", options->size, "plate and straight picture resized to this")
      ->type_name("WxH");
  app.add_option("--crop", options->crop, "then both cropped to this part, such as 128,0,1792x1080")
      ->type_name("X,Y,WxH");
  one_of(app.add_option("--output-origin",
                        options->output_origin,
                        "where t counts from in the new map; default: as in MAP"),
         {"bottom-left", "top-left"});
  add_map_options(app, options->arguments);
  add_map_direction(app, options->arguments);
  one_of(app.add_option("--compression", options->compression, "of the EXR"),
         {"zip", "zips", "piz", "rle", "none"})
      ->capture_default_str();
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
