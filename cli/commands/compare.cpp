#include <fmt/format.h>

#include <algorithm>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/utf8.h"
#include "calib/compare/calibration_doubts.h"
#include "calib/compare/lens_change.h"
#include "calib/compare/zoom_change.h"
#include "calib/profile/profile.h"
#include "cli/change_report.h"
#include "cli/commands/commands.h"
#include "cli/document_date.h"
#include "cli/map_options.h"
#include "cli/profile_option.h"
#include "cli/report/compare_page.h"
#include "cli/report/write_report.h"
#include "warp/map_tools.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string first;
  std::string second;
  MapArguments arguments;
  double matters_px = compare::kChangeThatMattersPx;
  bool check = false;
  std::string report;
};

/// What --check returns beside 0.
enum CheckStatus : int { kChangedStatus = 4, kTooUncertainStatus = 5 };

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

/// Each with the file it is about; one that both give, once.
std::vector<Warning> warnings_of_both(const Options& options,
                                      const std::vector<Warning>& of_first,
                                      const std::vector<Warning>& of_second) {
  const auto is_in = [](const std::vector<Warning>& list, const Warning& wanted) {
    return std::any_of(list.begin(), list.end(), [&](const Warning& warning) {
      return warning.code == wanted.code && warning.message == wanted.message;
    });
  };
  const auto about = [](const std::string& files, const Warning& warning) {
    return Warning{warning.code, fmt::format("{}: {}", files, warning.message), warning.value};
  };
  std::vector<Warning> warnings;
  for (const Warning& warning : of_first) {
    const bool is_of_both = is_in(of_second, warning);
    warnings.push_back(
        about(is_of_both ? fmt::format("{} and {}", options.first, options.second) : options.first,
              warning));
  }
  for (const Warning& warning : of_second) {
    if (!is_in(of_first, warning)) warnings.push_back(about(options.second, warning));
  }
  return warnings;
}

Result<Pair> read_maps(const Options& options,
                       const warp::StMapAssumptions& assumptions,
                       int threads) {
  Result<warp::StMapFile> first = warp::read_st_map(options.first, assumptions, threads);
  if (!first) return fail(first.error());
  Result<warp::StMapFile> second = warp::read_st_map(options.second, assumptions, threads);
  if (!second) return fail(second.error());
  Pair pair{std::move(first->map),
            std::move(second->map),
            warnings_of_both(options, first->warnings, second->warnings)};
  pair.are_directions_known = first->states_conventions && second->states_conventions;
  return pair;
}

/// Where in the plate the two lenses image one ray, for the rays of the first one's straightened
/// plate.
Result<Pair> maps_of_profiles(const profile::Station& first,
                              const profile::Station& second,
                              int threads) {
  const lens::Lens& lens = first.lens;
  const Result<lens::Lens> other = lens::for_picture_of(second.lens, lens.plate_size);
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

struct Profiles {
  profile::Profile first;
  profile::Profile second;

  [[nodiscard]] bool have_one_station() const {
    return first.stations.size() == 1 && second.stations.size() == 1;
  }
};
Result<Profiles> read_profiles(const Options& options) {
  Result<profile::Profile> first = read_lens_profile(options.first);
  if (!first) return fail(first.error());
  Result<profile::Profile> second = read_lens_profile(options.second);
  if (!second) return fail(second.error());
  return Profiles{*std::move(first), *std::move(second)};
}

/// The mean square and the largest distance between the maps, pixel by pixel.
std::string difference_text(const warp::MapDifference& found) {
  return fmt::format(
      "rms {:.6g} px, mean {:.6g} px, largest {:.6g} px at {:.1f}, {:.1f}; {} pixels compared, {} "
      "with a source in one only\n",
      found.rms_px,
      found.mean_px,
      found.largest_px,
      found.largest_at_px.x(),
      found.largest_at_px.y(),
      found.num_compared,
      found.num_only_one);
}

nlohmann::json difference_json(const warp::MapDifference& found,
                               const std::vector<Warning>& warnings) {
  return {{"rms_px", found.rms_px},
          {"mean_px", found.mean_px},
          {"largest_px", found.largest_px},
          {"largest_at_px", {{"x", found.largest_at_px.x()}, {"y", found.largest_at_px.y()}}},
          {"compared", found.num_compared},
          {"only_one", found.num_only_one},
          {"cosine", found.cosine},
          {"warnings", warnings_json(warnings)}};
}

/// Doubt whether the two are of one kind: what they state, or else how they move the picture.
std::optional<Warning> opposite_warning(const Pair& pair, const warp::MapDifference& found) {
  if (pair.are_directions_known) {
    if (pair.first.direction == pair.second.direction) return std::nullopt;
    return Warning{
        "opposite-maps",
        fmt::format("the first map makes the {} picture and the second the {} one, which "
                    "is no difference of lenses; `invert` turns one round (cosine of "
                    "their displacements {:.3f})",
                    picture_of(pair.first.direction),
                    picture_of(pair.second.direction),
                    found.cosine),
        found.cosine};
  }
  if (!(found.cosine < warp::kOppositeCosine)) return std::nullopt;
  return Warning{"opposite-maps",
                 fmt::format("the maps move the picture in opposite ways (cosine of their "
                             "displacements {:.3f}): one seems to straighten and the other to "
                             "bend; `invert` turns one round",
                             found.cosine),
                 found.cosine};
}

int run_maps(const Options& options,
             const warp::StMapAssumptions& assumptions,
             const CommonOptions& common) {
  Result<Pair> pair = read_maps(options, assumptions, common.threads);
  if (!pair) return report_failure(pair.error());
  const Result<warp::MapDifference> found = warp::difference_of(pair->first, pair->second);
  if (found) {
    if (std::optional<Warning> opposite = opposite_warning(*pair, *found)) {
      pair->warnings.push_back(*std::move(opposite));
    }
  }
  report_warnings(pair->warnings, common);
  if (!found) return report_failure(found.error());
  print(common, difference_text(*found));
  if (Result<void> written = write_json(common, difference_json(*found, pair->warnings));
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

/// Whether both are of one lens, as far as their labels tell, and what they themselves warn of.
std::vector<Warning> doubts_of(const Profiles& profiles) {
  std::vector<Warning> warnings;
  if (auto doubt = compare::calibration_doubts(profiles.first.stations, profiles.second.stations)) {
    warnings.push_back(*std::move(doubt));
  }
  const profile::Labels& a = profiles.first.labels;
  const profile::Labels& b = profiles.second.labels;
  if (a.serial != b.serial) {
    warnings.push_back({"other-serial",
                        fmt::format("the serial numbers differ ('{}' and '{}'): are these "
                                    "calibrations of one lens?",
                                    printable(a.serial),
                                    printable(b.serial)),
                        0.0});
  }
  if (!profiles.have_one_station()) return warnings;
  const profile::Station& first = profiles.first.stations.front();
  const profile::Station& second = profiles.second.stations.front();
  const auto differ = [](const std::optional<double>& one, const std::optional<double>& other) {
    return one && other && *one != *other;
  };
  const bool one_is_silent =
      first.nominal_focal_mm.has_value() != second.nominal_focal_mm.has_value() ||
      first.focus_m.has_value() != second.focus_m.has_value();
  if (differ(first.nominal_focal_mm, second.nominal_focal_mm) ||
      differ(first.focus_m, second.focus_m)) {
    warnings.push_back({"other-state",
                        "focal length or focus distance differ: the lens may be the same and in "
                        "another state",
                        0.0});
  } else if (one_is_silent) {
    warnings.push_back({"other-state",
                        "only one of the two says its focal length and focus distance: the other "
                        "may be of another state",
                        0.0});
  }
  return warnings;
}

int check_status(compare::ChangeVerdict verdict) {
  if (verdict == compare::ChangeVerdict::kChanged) return kChangedStatus;
  return verdict == compare::ChangeVerdict::kTooUncertain ? kTooUncertainStatus : int{kDone};
}

/// Of lenses with many stations.
int run_stations(const Options& options, const Profiles& profiles, const CommonOptions& common) {
  if (!options.report.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--report is of one station each; `state` makes a profile of one state"});
  }
  const compare::ChangeOptions change_options{.matters_px = options.matters_px};
  const Result<compare::ZoomChange> change =
      compare::zoom_change(profiles.first.stations, profiles.second.stations, change_options);
  if (!change) return report_failure(change.error());
  std::vector<Warning> warnings = doubts_of(profiles);
  const std::size_t alone = change->num_only_first + change->num_only_second;
  if (alone > 0) {
    warnings.push_back({"stations-alone",
                        fmt::format("{} stations of A and {} of B have no counterpart: there the "
                                    "other lens is interpolated, which decides nothing",
                                    change->num_only_first,
                                    change->num_only_second),
                        static_cast<double>(alone)});
  }
  report_warnings(warnings, common);
  print(common,
        fmt::format("A: {}\nB: {}\n{}{}\n",
                    identity_text(profiles.first),
                    identity_text(profiles.second),
                    change_table(*change),
                    compare::verdict_text(*change, change_options)));
  if (Result<void> written = write_json(common,
                                        {{"a", identity_json(profiles.first)},
                                         {"b", identity_json(profiles.second)},
                                         {"change", change_json(*change)},
                                         {"warnings", warnings_json(warnings)}});
      !written) {
    return report_failure(written.error());
  }
  return options.check ? check_status(change->verdict) : int{kDone};
}

int run_profiles(const Options& options, const CommonOptions& common) {
  const Result<Profiles> profiles = read_profiles(options);
  if (!profiles) return report_failure(profiles.error());
  if (!profiles->have_one_station()) return run_stations(options, *profiles, common);
  const profile::Station& first = profiles->first.stations.front();
  const profile::Station& second = profiles->second.stations.front();
  const Result<Pair> pair = maps_of_profiles(first, second, common.threads);
  if (!pair) return report_failure(pair.error());
  const Result<warp::MapDifference> found = warp::difference_of(pair->first, pair->second);
  if (!found) return report_failure(found.error());
  const compare::ChangeOptions change_options{.matters_px = options.matters_px};
  const Result<compare::LensChange> change = compare::lens_change(first, second, change_options);
  if (!change) return report_failure(change.error());
  const std::vector<Warning> warnings = doubts_of(*profiles);
  report_warnings(warnings, common);
  print(common,
        fmt::format("A: {}\nB: {}\n{}",
                    identity_text(profiles->first),
                    identity_text(profiles->second),
                    difference_text(*found)));
  print(common,
        fmt::format("a camera solve takes up {:.4f} degrees of turn and a focal length {:.6f} "
                    "times as long\n{}\n",
                    change->turn_deg,
                    1.0 / change->focal_ratio,
                    compare::verdict_text(*change, change_options)));
  if (const std::string_view why = compare::chance_and_size_text(*change); !why.empty()) {
    print(common, fmt::format("({})\n", why));
  }
  print(common, fmt::format("in practice: {}\n", compare::advice_text(*change, change_options)));
  nlohmann::json json = difference_json(*found, warnings);
  json["a"] = identity_json(profiles->first);
  json["b"] = identity_json(profiles->second);
  json["change"] = change_json(*change);
  if (!options.report.empty()) {
    const Result<std::string> date = document_date("");
    if (!date) return report_usage(date.error());
    const nlohmann::json page =
        compare_page(profiles->first, profiles->second, *change, change_options, warnings, *date);
    if (Result<void> written = write_report_file(page, options.report, common); !written) {
      return report_failure(written.error());
    }
  }
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return options.check ? check_status(change->verdict) : int{kDone};
}

int run(const Options& options, const CommonOptions& common) {
  Result<warp::StMapAssumptions> assumptions = map_assumptions(options.arguments);
  if (!assumptions) return report_usage(assumptions.error());
  assumptions->header = warp::MapHeader::kStands;  // they are said of whichever map does not state
  if (Result<void> named = check_report_option(options.report); !named) {
    return report_usage(named.error());
  }
  const bool maps = is_map_name(options.first);
  if (maps != is_map_name(options.second)) {
    return report_usage({ErrorCode::kInvalidInput,
                         "one is an ST-map (.exr) and the other a profile; `stmap` makes a map of "
                         "the profile"});
  }
  if (Result<void> free = check_outputs({options.report}, {options.first, options.second}, common);
      !free) {
    return report_failure(free.error());
  }
  if (!maps) return run_profiles(options, common);
  if (!options.report.empty()) {
    return report_usage({ErrorCode::kInvalidInput, "--report is for profiles, not for maps"});
  }
  if (options.check) {
    return report_usage({ErrorCode::kInvalidInput, "--check is for profiles, not for maps"});
  }
  return run_maps(options, *assumptions, common);
}

}  // namespace

Action add_compare(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("A", options->first, "a profile, or an ST-map (.exr)")->required()->type_name("");
  app.add_option("B", options->second, "another of the same kind")->required()->type_name("");
  app.add_option("--matters", options->matters_px, "the change, rms in px, that has to be found")
      ->check(finite_range(1e-6, 1e6))
      ->capture_default_str()
      ->type_name("PX");
  app.add_flag("--check", options->check, "exit status 4: changed, 5: too uncertain to say");
  add_map_options(app, options->arguments);
  add_report_option(app, options->report);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
