#include <fmt/format.h>

#include <array>
#include <memory>
#include <vector>

#include "calib/base/counted.h"
#include "calib/base/csv.h"
#include "calib/exchange/points.h"
#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/per_frame.h"
#include "cli/plate_options.h"
#include "cli/points_per_frame.h"
#include "cli/version.h"
#include "warp/overscan.h"
#include "warp/resample.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  StateArguments state;
  PerFrameArguments per_frame;
  std::string input;
  std::string output;
  bool undistort = false;
  bool redistort = false;
  std::string overscan = "none";
  int round_to = 2;
  bool rays = false;
  std::string columns;
};

/// The straight picture that undistort makes with the same options, of the one lens or of all.
Result<exchange::StraightFrame> straight_frame(const Options& options,
                                               const std::vector<lens::Lens>& lenses) {
  const Result<warp::OverscanRequest> request = warp::parse_overscan(options.overscan);
  if (!request) return fail(request.error());
  const Result<warp::Overscan> overscan = warp::common_overscan(
      lenses,
      *request,
      {.round_to = options.round_to, .margin_px = warp::kernel_width(warp::Filter::kCubic) / 2});
  if (!overscan) return fail(overscan.error());
  const warp::EdgePixels& edges = overscan->edges;
  return exchange::StraightFrame{
      .left = edges.left, .top = edges.top, .right = edges.right, .bottom = edges.bottom};
}

exchange::PointsDirection direction_of(const Options& options) {
  using Direction = exchange::PointsDirection;
  if (options.rays) return options.undistort ? Direction::kToRays : Direction::kFromRays;
  return options.undistort ? Direction::kUndistort : Direction::kRedistort;
}

int run(const Options& options, const CommonOptions& common) {
  if (options.undistort == options.redistort) {
    return report_usage({ErrorCode::kInvalidInput,
                         "say which way: --undistort (plate to straight picture) or --redistort "
                         "(straight picture to plate)"});
  }
  if (Result<void> free = check_outputs({options.output}, {options.profile, options.input}, common);
      !free) {
    return report_failure(free.error());
  }
  constexpr std::array<std::string_view, 6> kNames{"x", "y", "frame", "ray_x", "ray_y", "ray_z"};
  const Result<ColumnNames> columns = parse_column_names(options.columns, kNames);
  if (!columns) {
    return report_usage(
        {columns.error().code, fmt::format("--columns: {}", columns.error().message)});
  }
  const Result<ShotProfile> shot = read_shot_profile({.path = options.profile,
                                                      .state = options.state,
                                                      .per_frame = options.per_frame,
                                                      .threads = common.threads});
  if (!shot) return report_failure(shot.error());
  report_warnings(shot->warnings, common);
  const lens::Lens& lens = shot->profile.stations.front().lens;
  const Result<exchange::StraightFrame> straight =
      straight_frame(options, shot->lenses ? shot->lenses->all() : std::vector{lens});
  if (!straight) return report_usage(straight.error());
  const Result<exchange::PointsReport> report =
      shot->lenses ? transform_points_per_frame(options.input,
                                                options.output,
                                                *shot->lenses,
                                                direction_of(options),
                                                common.overwrite_policy(),
                                                *straight,
                                                *columns)
                   : exchange::transform_points_file(options.input,
                                                     options.output,
                                                     lens,
                                                     direction_of(options),
                                                     common.overwrite_policy(),
                                                     *straight,
                                                     *columns,
                                                     fmt::format("trueplate {}", kVersion));
  if (!report) return report_failure(report.error());

  print(common,
        fmt::format("{} {}, {}, {} without an answer -> {}\n",
                    counted(report->num_moved, "point"),
                    options.rays
                        ? fmt::format("up to {:.3f} degrees off the axis", report->max_angle_deg)
                        : fmt::format("moved by up to {:.3f} px", report->max_shift_px),
                    counted(report->num_gaps, "gap"),
                    report->num_without_answer,
                    options.output));
  std::vector<Warning> warnings;
  if (report->num_without_answer > 0) {
    warnings.push_back({"points-without-answer",
                        fmt::format("{} {} where the lens has no answer and {} left "
                                    "blank (first: {} line {})",
                                    counted(report->num_without_answer, "point"),
                                    agreed(report->num_without_answer, "lies", "lie"),
                                    agreed(report->num_without_answer, "is", "are"),
                                    options.input,
                                    report->lines_without_answer.front()),
                        static_cast<double>(report->num_without_answer)});
  }
  if (report->num_outside_plate > 0) {
    warnings.push_back({"points-outside-plate",
                        fmt::format("{} {} outside the plate, up to {:.1f} px: there the "
                                    "lens was not measured",
                                    counted(report->num_outside_plate, "point"),
                                    agreed(report->num_outside_plate, "lies", "lie"),
                                    report->max_outside_px),
                        report->max_outside_px});
  }
  if (report->lens_scaled) {
    warnings.push_back({"lens-scaled",
                        fmt::format("the points are of a {}x{} picture, another size than "
                                    "calibrated; the lens was scaled to it",
                                    report->image_size.width,
                                    report->image_size.height),
                        static_cast<double>(report->image_size.width)});
  }
  report_warnings(warnings, common);
  if (Result<void> written = write_json(common,
                                        {{"rows", report->num_rows},
                                         {"moved", report->num_moved},
                                         {"gaps", report->num_gaps},
                                         {"without_answer", report->num_without_answer},
                                         {"max_shift_px", report->max_shift_px},
                                         {"max_angle_deg", report->max_angle_deg},
                                         {"outside_plate", report->num_outside_plate},
                                         {"max_outside_px", report->max_outside_px},
                                         {"warnings", warnings_json(warnings)}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_points(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  add_state_options(app, options->state);
  add_per_frame_options(app, options->per_frame, OwnHeaders::kNo);
  app.add_option("POINTS", options->input, "a CSV file with columns x and y")
      ->required()
      ->type_name("");
  app.add_option("-o,--output", options->output, "the moved points")->required()->type_name("FILE");
  app.add_flag("--undistort", options->undistort, "from the plate to the straight picture");
  app.add_flag("--redistort", options->redistort, "from the straight picture to the plate");
  app.add_option("--overscan",
                 options->overscan,
                 "of the straight picture, whose corner its points are counted from")
      ->type_name("none|auto|8%|L,T,R,B")
      ->capture_default_str();
  add_round_option(app, options->round_to);
  app.add_flag("--rays",
               options->rays,
               "rays in camera axes, columns ray_x, ray_y, ray_z, in the place of straight points");
  app.add_option("--columns",
                 options->columns,
                 "how the file calls its columns x, y, frame, ray_x, ray_y, ray_z, such as x=u,y=v")
      ->type_name("NAME=COLUMN,...");
  return [options, &app](const CommonOptions& common) {
    report_warnings(unused_round(app, options->overscan), common);
    return run(*options, common);
  };
}

}  // namespace trueplate::cli
