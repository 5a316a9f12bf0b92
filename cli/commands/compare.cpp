#include <fmt/format.h>

#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>

#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/map_options.h"
#include "cli/profile_option.h"
#include "warp/map_tools.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string first;
  std::string second;
  MapArguments arguments;
};

std::string_view picture_of(warp::MapDirection direction) {
  return direction == warp::MapDirection::kUndistort ? "straight" : "bent";
}

/// The two as maps of one picture, with what is doubtful about them.
struct Pair {
  warp::StMap first;
  warp::StMap second;
  std::vector<Warning> warnings;
  bool are_directions_known = false;  // stated by both, or of the program's own making
};

Result<Pair> read_maps(const Options& options,
                       const warp::StMapAssumptions& assumptions,
                       int threads) {
  Result<warp::StMapFile> first = warp::read_st_map(options.first, assumptions, threads);
  if (!first) return fail(first.error());
  Result<warp::StMapFile> second = warp::read_st_map(options.second, assumptions, threads);
  if (!second) return fail(second.error());
  Pair pair{std::move(first->map), std::move(second->map), std::move(first->warnings)};
  pair.warnings.insert(pair.warnings.end(), second->warnings.begin(), second->warnings.end());
  pair.are_directions_known = first->states_conventions && second->states_conventions;
  return pair;
}

/// Where in the plate the two lenses image one ray, for the rays of the first one's straightened
/// plate.
Result<Pair> maps_of_profiles(const Options& options, int threads) {
  const Result<profile::Profile> first = read_single_profile(options.first);
  if (!first) return fail(first.error());
  const Result<profile::Profile> second = read_single_profile(options.second);
  if (!second) return fail(second.error());
  const lens::Lens& lens = first->stations.front().lens;
  const Result<lens::Lens> other =
      lens::for_picture_of(second->stations.front().lens, lens.plate_size);
  if (!other) return fail(other.error());
  const warp::MapOptions map_options{
      .straight = warp::StraightPinhole{lens.focal_px, lens.principal_point_px},
      .threads = threads};
  Result<warp::StMap> a = warp::make_undistort_map(lens, map_options);
  if (!a) return fail(a.error());
  Result<warp::StMap> b = warp::make_undistort_map(*other, map_options);
  if (!b) return fail(b.error());
  return Pair{*std::move(a), *std::move(b), {}, true};
}

/// What tells that the two are no two of a kind; nullopt: nothing does.
std::optional<Warning> opposite_warning(const Pair& pair, const warp::MapDifference& found) {
  const bool is_opposite = found.cosine < warp::kOppositeCosine;
  if (pair.are_directions_known && pair.first.direction != pair.second.direction) {
    return Warning{"opposite-maps",
                   fmt::format("the first map makes the {} picture and the second the {} one: they "
                               "are not for one comparison, `invert` turns one round (their "
                               "displacements have a cosine of {:.3f})",
                               picture_of(pair.first.direction),
                               picture_of(pair.second.direction),
                               found.cosine),
                   found.cosine};
  }
  if (!is_opposite) return std::nullopt;
  return Warning{"opposite-maps",
                 fmt::format("the maps move the picture in opposite ways (cosine of their "
                             "displacements {:.3f}): one seems to straighten and the other to "
                             "bend; `invert` turns one round",
                             found.cosine),
                 found.cosine};
}

int run(const Options& options, const CommonOptions& common) {
  const Result<warp::StMapAssumptions> assumptions = map_assumptions(options.arguments);
  if (!assumptions) return report_usage(assumptions.error());
  const bool maps = is_map_name(options.first);
  if (maps != is_map_name(options.second)) {
    return report_usage({ErrorCode::kInvalidInput,
                         "one is an ST-map (.exr) and the other a profile; `stmap` makes a map of "
                         "the profile"});
  }
  if (Result<void> free = check_outputs({}, {options.first, options.second}, common); !free) {
    return report_failure(free.error());
  }
  Result<Pair> pair = maps ? read_maps(options, *assumptions, common.threads)
                           : maps_of_profiles(options, common.threads);
  if (!pair) return report_failure(pair.error());
  const Result<warp::MapDifference> found = warp::difference_of(pair->first, pair->second);
  if (found) {
    if (std::optional<Warning> opposite = opposite_warning(*pair, *found)) {
      pair->warnings.push_back(*std::move(opposite));
    }
  }
  report_warnings(pair->warnings, common);
  if (!found) return report_failure(found.error());
  print(common,
        fmt::format("rms {:.6g} px, mean {:.6g} px, largest {:.6g} px at {:.1f}, {:.1f}; {} pixels "
                    "compared, {} with a source in one only\n",
                    found->rms_px,
                    found->mean_px,
                    found->largest_px,
                    found->largest_at_px.x(),
                    found->largest_at_px.y(),
                    found->num_compared,
                    found->num_only_one));
  const nlohmann::json json = {
      {"rms_px", found->rms_px},
      {"mean_px", found->mean_px},
      {"largest_px", found->largest_px},
      {"largest_at_px", {{"x", found->largest_at_px.x()}, {"y", found->largest_at_px.y()}}},
      {"compared", found->num_compared},
      {"only_one", found->num_only_one},
      {"cosine", found->cosine},
      {"warnings", warnings_json(pair->warnings)}};
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_compare(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("A", options->first, "a profile, or an ST-map (.exr)")->required()->type_name("");
  app.add_option("B", options->second, "another of the same kind")->required()->type_name("");
  add_map_options(app, options->arguments);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
