#include <fmt/format.h>

#include <memory>
#include <string>

#include "cli/commands/commands.h"
#include "cli/help/spelling.h"
#include "cli/map_options.h"
#include "cli/version.h"
#include "warp/map_tools.h"
#include "warp/overscan.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string map;
  std::string output;
  std::string overscan = "auto";
  std::string compression = "zip";
  MapArguments arguments;
};

/// The overscan of the inverse's output.
Result<warp::EdgePixels> edges_of(const warp::OverscanRequest& request, const warp::StMap& map) {
  using Kind = warp::OverscanRequest::Kind;
  if (request.kind == Kind::kAuto) return warp::source_reach(map);
  return request.kind == Kind::kPixels ? request.pixels : warp::EdgePixels{};
}

int run(const Options& options, const CommonOptions& common) {
  using Kind = warp::OverscanRequest::Kind;
  const Result<warp::StMapAssumptions> assumptions = map_assumptions(options.arguments);
  if (!assumptions) return report_usage(assumptions.error());
  const Result<warp::OverscanRequest> overscan = warp::parse_overscan(options.overscan);
  if (!overscan) return report_usage(overscan.error());
  if (overscan->kind == Kind::kPercent) {
    return report_usage(
        {ErrorCode::kInvalidInput,
         fmt::format("--overscan: '{}' is not none, auto or L,T,R,B in pixels", options.overscan)});
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
  report_warnings(file->warnings, common);
  const auto named = [&](const Error& error) {
    return report_failure({error.code, fmt::format("{}: {}", options.map, error.message)});
  };
  const Result<warp::EdgePixels> edges = edges_of(*overscan, file->map);
  if (!edges) return named(edges.error());
  const Result<warp::StMap> inverse = warp::inverse_map(file->map, *edges, common.threads);
  if (!inverse) return named(inverse.error());
  const warp::StMapWriteOptions write{.compression = options.compression,
                                      .overwrite = common.overwrite_policy(),
                                      .lens_text = file->lens_text,
                                      .pixel_aspect = file->pixel_aspect,
                                      .lens = {.program = fmt::format("trueplate {}", kVersion)},
                                      .threads = common.threads};
  if (Result<void> written = warp::write_st_map(options.output, *inverse, write); !written) {
    return report_failure(written.error());
  }
  const Window& data = inverse->output.data;
  const Window& display = inverse->output.display;
  print(common,
        fmt::format("inverse: {}x{} around a {}x{} display window (overscan {},{},{},{}) -> {}\n",
                    data.width,
                    data.height,
                    display.width,
                    display.height,
                    edges->left,
                    edges->top,
                    edges->right,
                    edges->bottom,
                    options.output));
  nlohmann::json json = map_json(options.output, *inverse);
  json["warnings"] = warnings_json(file->warnings);
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_invert(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("MAP", options->map, "the ST-map, this program's or another's")
      ->required()
      ->type_name("");
  app.add_option("-o,--output", options->output, "the map that undoes it")
      ->required()
      ->type_name("FILE");
  app.add_option(
         "--overscan", options->overscan, "of the picture it makes: auto is all that MAP looks at")
      ->type_name("auto|none|L,T,R,B")
      ->capture_default_str();
  add_map_options(app, options->arguments);
  add_map_direction(app, options->arguments);
  one_of(app.add_option("--compression", options->compression, "of the EXR"),
         {"zip", "zips", "piz", "rle", "none"})
      ->capture_default_str();
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
