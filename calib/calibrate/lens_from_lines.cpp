#include "calib/calibrate/lens_from_lines.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <map>
#include <set>
#include <utility>

#include "calib/base/counted.h"
#include "calib/base/sha256.h"
#include "calib/base/timestamp.h"
#include "calib/calibrate/detail/frame_hashes.h"
#include "calib/calibrate/detail/visit_frames.h"
#include "calib/footage/frame.h"

namespace trueplate {
namespace {

LinesOfFrame lines_in(const footage::FrameRef& ref,
                      const Result<footage::Frame>& frame,
                      const plate::EdgeOptions& edges,
                      detail::FrameHashes& hashes) {
  LinesOfFrame lines;
  lines.name = ref.name;
  const auto failed = [&](Error error) {
    lines.error = std::move(error);
    return lines;
  };
  if (!frame) return failed(frame.error());
  lines.plate_size = frame->windows.display.size();
  lines.pixel_aspect = frame->pixel_aspect;
  lines.warnings = frame->warnings;
  const Result<std::string> sha256 = hashes.of(ref);
  if (!sha256) return failed(sha256.error());
  lines.sha256 = *sha256;
  const Result<footage::Luma> luma = footage::luma(*frame, 1);
  if (!luma) {
    return failed({luma.error().code, fmt::format("{}: {}", ref.name, luma.error().message)});
  }
  lines.chains_px = plate::find_edge_chains(luma->pixels.view(), edges);
  for (std::vector<Point2d>& chain : lines.chains_px) {
    for (Point2d& p : chain) p += luma->offset_px;
  }
  if (lines.chains_px.empty()) {
    return failed({ErrorCode::kNotFound,
                   fmt::format("{}: no long smooth edge found; wanted straight edges of the world, "
                               "sharp and at least a twentieth of the frame long",
                               ref.name)});
  }
  return lines;
}

ImageSize common_size(const std::vector<LinesOfFrame>& frames) {
  std::map<std::pair<int, int>, int> counts;
  for (const LinesOfFrame& frame : frames) {
    if (!frame.chains_px.empty()) ++counts[{frame.plate_size.width, frame.plate_size.height}];
  }
  std::pair<int, int> best{0, 0};
  int most = 0;
  for (const auto& [size, count] : counts) {
    if (count >= most) {
      best = size;
      most = count;
    }
  }
  return {best.first, best.second};
}

/// Frames that the used lines are of; a file that names none is one.
int num_frames_of(const std::vector<plate::LineResult>& lines, bool only_used) {
  std::set<std::string> names;
  for (const plate::LineResult& line : lines) {
    if (line.used || !only_used) names.insert(line.frame);
  }
  return static_cast<int>(names.size());
}

profile::Station station_of(const plate::LineFit& fit, const LensFromLinesOptions& options) {
  profile::Station station;
  station.nominal_focal_mm = options.nominal_focal_mm;
  station.focus_m = options.focus_m;
  station.t_stop = options.t_stop;
  station.lens = fit.lens;
  station.uncertainty = profile::Uncertainty{fit.parameter_names, fit.covariance};
  station.quality = profile::Quality{
      .rms_px = fit.rms_px,
      .held_out_rms_px = fit.held_out_rms_px,
      .max_px = fit.max_px,
      .p95_px = fit.p95_px,
      .num_frames = num_frames_of(fit.lines, false),
      .num_frames_used = num_frames_of(fit.lines, true),
      .num_points = fit.num_points,
      .noise_sigma_px = fit.noise_px,
      .map_sigma_rms_px = fit.map_sigma_rms_px,
      .map_sigma_max_px = fit.map_sigma_max_px,
      .map_sigma_after = profile::MapSigmaAfter::kRotationAndFocal,
      .map_misfit_rms_px = fit.model_doubt ? std::optional(fit.model_doubt->rms_px) : std::nullopt};
  station.warnings = fit.warnings;
  return station;
}

/// Where the numbers come from, and which of them were not measured.
std::string method_of(const plate::LineFit& fit, const LensFromLinesOptions& options) {
  return fmt::format(
      "without a chart: least squares on {} of {} (plumb lines), which "
      "determine the distortion only; focal length {}, pixel aspect {}; distortion centre {}",
      counted(static_cast<std::size_t>(fit.num_points), "point"),
      counted(static_cast<std::size_t>(fit.num_lines), "straight edge"),
      options.nominal_focal_mm ? "as given" : "assumed",
      options.pixel_aspect ? "as given" : "believed",
      options.fit.centre_px ? "as given"
                            : "near the middle of the plate unless the lines say else");
}

Result<LensFromLines> fitted(const plate::LineSet& lines,
                             double pixel_aspect_found,
                             const LensFromLinesOptions& options) {
  plate::LineFitOptions fit_options = options.fit;
  // As for charts: an anamorphic plate as recorded is squeezed.
  double pixel_aspect = options.pixel_aspect.value_or(pixel_aspect_found);
  if (!options.pixel_aspect && pixel_aspect == 1.0) pixel_aspect = options.squeeze;
  fit_options.focal_ratio = 1.0 / pixel_aspect;
  if (options.nominal_focal_mm) {
    if (!options.film_back) {
      return fail(ErrorCode::kInvalidInput,
                  "a nominal focal length in mm means nothing without the film back");
    }
    const double focal_y =
        *options.nominal_focal_mm * lines.plate_size.height / options.film_back->height_mm;
    fit_options.focal_px = Point2d(fit_options.focal_ratio * focal_y, focal_y);
  }
  Result<plate::LineFit> fit = plate::fit_lens_to_lines(lines, fit_options);
  if (!fit) return fail(fit.error());
  fit->lens.pixel_aspect = pixel_aspect;
  fit->lens.squeeze = options.squeeze;
  fit->lens.film_back = options.film_back;
  LensFromLines result;
  result.profile.labels = options.labels;
  result.profile.stations.push_back(station_of(*fit, options));
  result.profile.provenance = {.created = utc_timestamp(std::chrono::system_clock::now()),
                               .program = "trueplate",
                               .program_version = options.program_version,
                               .method = method_of(*fit, options),
                               .footage = {}};
  result.fit = *std::move(fit);
  return result;
}

}  // namespace

Result<std::vector<LinesOfFrame>> find_lines(const footage::FrameSet& frames,
                                             const FindLinesOptions& options) {
  std::vector<LinesOfFrame> found(frames.frames.size());
  detail::FrameHashes hashes;
  DetectFramesOptions visiting;
  visiting.threads = options.threads;
  visiting.progress = options.progress;
  visiting.interrupt = options.interrupt;
  const Result<void> visited = detail::visit_frames(
      frames.frames, visiting, [&](std::size_t place, const Result<footage::Frame>& frame) {
        found[place] = lines_in(frames.frames[place], frame, options.edges, hashes);
      });
  if (!visited) return fail(visited.error());
  for (const footage::LeftOut& left_out : frames.left_out) {
    found.emplace_back();
    found.back().name = left_out.frame.name;
    found.back().error = left_out.reason;
  }
  return found;
}

Result<plate::LineSet> lines_of(std::vector<LinesOfFrame>& frames) {
  plate::LineSet lines{.plate_size = common_size(frames), .chains = {}};
  for (LinesOfFrame& frame : frames) {
    if (frame.chains_px.empty()) continue;
    if (frame.plate_size != lines.plate_size) {
      frame.error = Error{ErrorCode::kInvalidInput,
                          fmt::format("{}: is {}x{}, most frames are {}x{}; left out",
                                      frame.name,
                                      frame.plate_size.width,
                                      frame.plate_size.height,
                                      lines.plate_size.width,
                                      lines.plate_size.height)};
      continue;
    }
    for (std::size_t i = 0; i < frame.chains_px.size(); ++i) {
      lines.chains.push_back(
          {.name = fmt::format("{}", i + 1), .frame = frame.name, .points_px = frame.chains_px[i]});
    }
  }
  if (lines.chains.empty()) {
    return fail(
        ErrorCode::kNotFound,
        fmt::format(
            "no lines in any of {}; the first: {}",
            counted(frames.size(), "frame"),
            frames.empty() || !frames.front().error ? "no frames" : frames.front().error->message));
  }
  return lines;
}

Result<LensFromLines> lens_from_lines(const std::vector<LinesOfFrame>& frames,
                                      const plate::LineSet& lines,
                                      const LensFromLinesOptions& options) {
  double pixel_aspect = 1.0;
  for (const LinesOfFrame& frame : frames) {
    if (frame.error) continue;
    pixel_aspect = frame.pixel_aspect;
    break;
  }
  Result<LensFromLines> result = fitted(lines, pixel_aspect, options);
  if (!result) return result;
  struct Share {
    int num_points = 0;
    double squares = 0.0;
  };
  std::map<std::string, Share> shares;
  for (const plate::LineResult& line : result->fit.lines) {
    if (!line.used) continue;
    Share& share = shares[line.frame];
    share.num_points += line.num_points;
    share.squares += *line.residual_rms_px * *line.residual_rms_px * line.num_points;
  }
  for (const LinesOfFrame& frame : frames) {
    const auto share = shares.find(frame.name);
    profile::FootageItem item;
    item.name = frame.name;
    item.sha256 = frame.sha256;
    item.used = share != shares.end();
    if (item.used) {
      item.points = share->second.num_points;
      item.rms_px = std::sqrt(share->second.squares / share->second.num_points);
    } else {
      item.reason = frame.error ? frame.error->message : "none of its lines fits the others";
    }
    result->profile.provenance.footage.push_back(std::move(item));
  }
  return result;
}

Result<LensFromLines> lens_from_lines(const std::filesystem::path& lines_file,
                                      const plate::LineSet& lines,
                                      const LensFromLinesOptions& options) {
  const Result<std::string> sha256 = sha256_of_file(lines_file);
  if (!sha256) return fail(sha256.error());
  Result<LensFromLines> result = fitted(lines, 1.0, options);
  if (!result) return result;
  result->profile.provenance.method +=
      fmt::format("; lines read from {} (SHA-256 {})", lines_file.filename().string(), *sha256);
  return result;
}

}  // namespace trueplate
