#include <memory>
#include <string>

#include "calib/lens/model.h"
#include "cli/commands/commands.h"
#include "cli/convert_lens.h"
#include "cli/convert_map.h"
#include "cli/help/spelling.h"

namespace trueplate::cli {
namespace {

struct Options {
  LensConversion lens;
  MapArguments map;
};

int run(const Options& options, const CommonOptions& common) {
  const LensConversion& lens = options.lens;
  if (is_map_name(lens.output)) {
    return report_usage(
        {ErrorCode::kUnsupported, "ST-maps are written by 'stmap', from a lens profile"});
  }
  if (!is_map_name(lens.input)) return run_lens(lens, common);
  if (!lens.output.ends_with(".json") || !lens.to.empty()) {
    return report_usage({ErrorCode::kUnsupported,
                         "an ST-map is turned into a profile (.json) first, then into other "
                         "formats"});
  }
  return run_map({.input = lens.input,
                  .output = lens.output,
                  .model = lens.model,
                  .lens = lens.lens,
                  .map = options.map},
                 common);
}

}  // namespace

Action add_convert(CLI::App& app) {
  auto options = std::make_shared<Options>();
  LensConversion& lens = options->lens;
  lens.model = "auto";
  lens.tangential_unit = "mm-1";
  app.add_option("IN", lens.input, "an ST-map, a profile, or a lens in another format")
      ->required()
      ->type_name("");
  app.add_option("OUT,-o,--output", lens.output, "what it is written to")
      ->required()
      ->type_name("FILE");
  const std::vector<std::string> formats{"profile", "opentrackio", "opencv", "usd", "radial-table"};
  one_of(app.add_option("--from", lens.from, "format of IN, where its name does not tell"),
         formats);
  one_of(app.add_option("--to", lens.to, "format of OUT, where its name does not tell"), formats);
  app.add_option("--station", lens.station, "which of several stations, from 1 on")
      ->check(CLI::Range(1, 1000000))
      ->type_name("N");
  app.add_flag("--force", lens.force, "write also what misses the lens by more than 0.1 px");
  app.add_option("--size", lens.size, "the plate's size, where IN does not say it")
      ->type_name("WxH");
  one_of(app.add_option("--tangential-unit",
                        lens.tangential_unit,
                        "of the tangential terms of an OpenTrackIO file"),
         {"mm-1", "mm-2"})
      ->capture_default_str();
  std::vector<std::string> models{"auto"};
  for (const lens::ModelInfo& row : lens::model_table()) models.emplace_back(row.name);
  one_of(app.add_option("--model", lens.model, "that a map is fitted with"), models)
      ->capture_default_str();
  add_map_options(app, options->map);
  add_map_direction(app, options->map);
  add_lens_options(app, lens.lens, "focal length; a map does not tell it");
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
